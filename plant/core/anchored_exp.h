// Plant, core: exponentials and logarithms of quantities that drift slowly. Touches nothing.
#pragma once

#include <cmath>

namespace dawnrig::plant {

/// exp(z), from a short series around the last full evaluation while z stays within 0.01 of it; relative error below
/// 1e-12. Temperatures and states of charge hardly move within a gate interval, and the plant asks for their
/// exponentials at every stage of every step. Deterministic: the value depends on the arguments since construction.
/// Checked in tests/plant/wright_omega_test.cc.
class AnchoredExp {
 public:
  double operator()(double z) {
    const double d = z - anchor_;
    if (!(std::abs(d) <= kReach)) {  // also when either is not a number
      anchor_ = z;
      at_anchor_ = std::exp(z);
      return at_anchor_;
    }
    return at_anchor_ * (1.0 + d * (1.0 + d * (0.5 + d * (1.0 / 6.0 + d * (1.0 / 24.0)))));
  }

 private:
  static constexpr double kReach = 0.01;
  double anchor_{std::nan("")};
  double at_anchor_{0.0};
};

/// ln(y) for y > 0, likewise, while y stays within 0.1 % of the last full evaluation; absolute error below 1e-15.
class AnchoredLog {
 public:
  double operator()(double y) {
    const double d = y * inverse_ - 1.0;
    if (!(std::abs(d) <= kReach)) {
      inverse_ = 1.0 / y;
      at_anchor_ = std::log(y);
      return at_anchor_;
    }
    return at_anchor_ + d * (1.0 - d * (0.5 - d * (1.0 / 3.0 - d * (0.25 - d * 0.2))));
  }

 private:
  static constexpr double kReach = 1e-3;
  double inverse_{std::nan("")};
  double at_anchor_{0.0};
};

}  // namespace dawnrig::plant
