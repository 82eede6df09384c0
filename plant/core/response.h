// Plant, core: a linear equation under a polynomial, solved once for every instant. Touches nothing.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

namespace dawnrig::plant {

/// One exponential of the time t, from rest: c (exp(z t) - 1).
struct Decay {
  static constexpr double kGone = -35.0;  // below, an exponential is 1e-15 at most
  double z{}, c{};
  [[nodiscard]] double at(double t) const {
    const double exponent = z * t;
    return c * ((exponent < kGone ? 0.0 : std::exp(exponent)) - 1.0);
  }
};

/// Of x' = z x + the sum of force[k] t^k, x(0) = 0: the sum of power[k] t^(k+1), and c (exp(z t) - 1). For t up to 1. A
/// rate below kSlow is solved for by its series; without the ninth power that is right to 3e-12 of the force.
/// Checked in tests/plant/pin_ways_test.cc.
struct Response {
  static constexpr std::size_t kPowers = 8;
  static constexpr double kSlow = 0.1;
  using Powers = std::array<double, kPowers>;

  Powers power{};  // as many as there are forces, or all of them if z is slow
  double c{};

  /// Only the first `forces` of them, at least kFewForces, are other than zero. Returns how many powers there are.
  std::size_t solve(double z, const Powers& force, std::size_t forces) {
    if (std::abs(z) < kSlow) {
      double last = 0.0;
      for (std::size_t k = 0; k < kPowers; ++k) {
        last = (z * last + force[k]) / kCount[k + 1];
        power[k] = last;
      }
      c = 0.0;
      return kPowers;
    }
    const double inverse = 1.0 / z;
    double above = 0.0;
    power[forces - 1] = 0.0;
    for (std::size_t k = forces; k > kFewForces; --k) {
      above = (kCount[k] * above - force[k - 1]) * inverse;
      power[k - 2] = above;
    }
    power[2] = (4.0 * above - force[3]) * inverse;
    power[1] = (3.0 * power[2] - force[2]) * inverse;
    power[0] = (2.0 * power[1] - force[1]) * inverse;
    c = -((power[0] - force[0]) * inverse);
    return forces;
  }
  static constexpr std::size_t kFewForces = 4;

 private:
  static constexpr std::array<double, kPowers + 1> kCount{0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0};
};

}  // namespace dawnrig::plant
