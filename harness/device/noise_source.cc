#include "harness/device/noise_source.h"

#include <cmath>

namespace dawnrig::device {
namespace {

/// Uniform over (-1, 1) from the upper 53 bits.
double symmetric(std::uint64_t word) {
  constexpr double kStep = 1.0 / 4503599627370496.0;  // 2^-52
  return static_cast<double>(word >> 11U) * kStep - 1.0;
}

}  // namespace

std::uint64_t WordSource::next() {
  state_ += 0x9E3779B97F4A7C15U;
  std::uint64_t mixed = state_;
  mixed = (mixed ^ (mixed >> 30U)) * 0xBF58476D1CE4E5B9U;
  mixed = (mixed ^ (mixed >> 27U)) * 0x94D049BB133111EBU;
  return mixed ^ (mixed >> 31U);
}

double NoiseSource::next() {
  if (has_spare_) {
    has_spare_ = false;
    return spare_;
  }
  while (true) {
    const double x = symmetric(words_.next());
    const double y = symmetric(words_.next());
    const double square = x * x + y * y;
    if (square > 0.0 && square < 1.0) {
      const double scale = std::sqrt(-2.0 * std::log(square) / square);
      spare_ = y * scale;
      has_spare_ = true;
      return x * scale;
    }
  }
}

}  // namespace dawnrig::device
