// Plant, core: a linear equation under a polynomial, solved once for every instant. Touches nothing.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

namespace dawnrig::plant {

/// One exponential of the time t, from rest: c (exp(z t) - 1).
struct Decay {
  double z{}, c{};
};

/// Of x' = z x + the sum of force[k] t^k, x(0) = 0: the sum of power[k] t^(k+1), and c (exp(z t) - 1). For t up to 1. A
/// rate below kSlow is solved for by its series; without the ninth power that is right to 3e-12 of the force.
/// Checked in tests/plant/pin_ways_test.cc.
struct Response {
  static constexpr std::size_t kPowers = 8;
  static constexpr double kSlow = 0.1;
  using Powers = std::array<double, kPowers>;

  Powers power{};
  double c{};

  /// Only the first `forces` of them are other than zero.
  [[nodiscard]] static Response of(double z, const Powers& force, std::size_t forces) {
    Response x;
    if (std::abs(z) < kSlow) {
      double last = 0.0;
      for (std::size_t k = 0; k < kPowers; ++k) {
        last = (z * last + force[k]) / static_cast<double>(k + 1);
        x.power[k] = last;
      }
      return x;
    }
    const double inverse = 1.0 / z;
    double above = 0.0;
    for (std::size_t k = forces; k > 0; --k) {
      above = (static_cast<double>(k) * above - force[k - 1]) * inverse;
      if (k > 1) x.power[k - 2] = above;
    }
    x.c = -above;
    return x;
  }
};

}  // namespace dawnrig::plant
