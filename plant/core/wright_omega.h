// Plant, core: the Wright omega function, which solves every diode-behind-a-resistance of the circuit. Touches nothing.
#pragma once

#include <cmath>

namespace dawnrig::plant {

/// w = omega(x), the positive root of w + ln(w) = x, defined for every real x; d omega / d x = w / (1 + w).
///
/// A diode behind a resistance, v + b*exp(v/a) = c, has b*exp(v/a) = a*w with x = c/a + ln(b/a).
/// Each call starts from the last root where that is near, and refines by the fourth-order step of Fritsch, Shafer and
/// Crowley (Communications of the ACM 16(2), 1973, algorithm 443) until the residual is far below rounding of x.
/// Not a number in, not a number out. Checked in tests/plant/wright_omega_test.cc.
class WrightOmega {
 public:
  double operator()(double x) {
    constexpr double kAsymptotic = -38.0;  // below, w and exp(x) agree to the last bit
    if (x < kAsymptotic) return std::exp(x);
    double w = start(x);
    for (int i = 0; i < kMostIterations; ++i) {
      const double r = x - w - std::log(w);
      const double w1 = 1.0 + w;
      const double q = w1 * (w1 + r * (2.0 / 3.0));
      w *= 1.0 + r * (q - 0.5 * r) / (w1 * (q - r));
      if (std::abs(r) < kLastResidual) break;  // the next residual is about r^4/72
    }
    x_ = x;
    w_ = w;
    return w;
  }

 private:
  static constexpr int kMostIterations = 8;
  static constexpr double kLastResidual = 5e-4;
  static constexpr double kPi = 3.14159265358979323846;

  [[nodiscard]] double start(double x) const {
    const double dx = x - x_;
    const double w1 = 1.0 + w_;
    if (std::abs(dx) < 0.5 * w1) {
      const double near = dx / w1;
      const double w = w_ * (1.0 + near + 0.5 * near * near / w1);
      if (w > 0.0) return w;
    }
    if (x > 1.0 + kPi) return x - std::log(x);
    if (x > 1.0) return 1.0 + 0.5 * (x - 1.0) + (x - 1.0) * (x - 1.0) / 16.0;
    if (x > -2.0) return std::exp((x - 1.0) * (2.0 / 3.0));
    return std::exp(x);
  }

  double x_{1.0};
  double w_{1.0};
};

}  // namespace dawnrig::plant
