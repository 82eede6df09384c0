#include "harness/device/adc_converter.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace dawnrig::device {
namespace {

constexpr double kCodes = 1024.0;
constexpr int kFullScale = 1023;

// Where the pin stands between the code thresholds, in steps. Rounding of the quotient may land it one unit in the last
// place on the wrong side of a whole step; the product with the reference decides which side is right, so that a pin at
// the number nearest to k/1024 of the reference always reads k and a pin just below it always reads k - 1.
double position_lsb(double pin_v, double reference_v) {
  const double scaled_v = kCodes * pin_v;
  const double quotient = scaled_v / reference_v;
  // The floor, mostly without asking for it.
  const bool usual = quotient >= 0.0 && quotient < 2.0 * kCodes;
  const double below = usual ? static_cast<double>(static_cast<int>(quotient)) : std::floor(quotient);
  if (below * reference_v > scaled_v) return std::nextafter(below, below - 1.0);
  if ((below + 1.0) * reference_v <= scaled_v) return below + 1.0;
  return quotient;
}

}  // namespace

int adc_code(double pin_v, double reference_v, const AdcErrors& errors, double unit_noise) {
  if (!(reference_v > 0.0)) return pin_v > 0.0 ? kFullScale : 0;
  double x_lsb = position_lsb(pin_v, reference_v);
  if (errors.gain_error_frac != 0.0) x_lsb *= 1.0 + errors.gain_error_frac;
  x_lsb += errors.offset_lsb;
  if (errors.inl_lsb != 0.0) {
    x_lsb += errors.inl_lsb * std::sin(std::numbers::pi * std::clamp(pin_v / reference_v, 0.0, 1.0));
  }
  if (errors.noise_lsb != 0.0) x_lsb += errors.noise_lsb * unit_noise;
  // Written so that a NaN, which no comparison admits, reads as zero instead of being cast.
  if (!(x_lsb > 0.0)) return 0;
  if (x_lsb >= kFullScale) return kFullScale;
  return static_cast<int>(x_lsb);
}

}  // namespace dawnrig::device
