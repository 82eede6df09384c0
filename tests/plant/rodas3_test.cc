// Plant, core: order of convergence and damping of the integrator, on a problem with a known solution.
#include "plant/core/rodas3.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

namespace dawnrig::plant {
namespace {

// Prothero and Robinson's problem driven through an unknown that is the time itself, and a nonlinear companion:
//   y0' = l (y0 - cos t) - sin t, y1' = -y1^3, y2 = t' = 1;  y0 = cos t, y1 = 1/sqrt(1 + 2t)
struct Known {
  using Vector = std::array<double, 3>;
  double stiffness{-1.0};
  Vector at{};
  double s{0.0};

  [[nodiscard]] static std::size_t size() { return 3; }
  bool rates(const Vector& y, Vector& f) {
    f = {stiffness * (y[0] - std::cos(y[2])) - std::sin(y[2]), -y[1] * y[1] * y[1], 1.0};
    return true;
  }
  void solve(const Vector& r, Vector& k) const {
    k[2] = r[2] / s;
    k[1] = r[1] / (s + 3.0 * at[1] * at[1]);
    k[0] = (r[0] + (stiffness * std::sin(at[2]) - std::cos(at[2])) * k[2]) / (s - stiffness);
  }
};

Known::Vector integrate(double stiffness, double h, int steps, double y0 = 1.0) {
  Known known;
  known.stiffness = stiffness;
  Rodas3<Known> method;
  Known::Vector y{y0, 1.0, 0.0};
  Known::Vector next{};
  Known::Vector error{};
  for (int i = 0; i < steps; ++i) {
    EXPECT_TRUE(method.begin(known, y));
    known.at = y;
    known.s = 2.0 / h;
    method.predict(known, h);
    EXPECT_TRUE(method.finish(known, y, h, next, error));
    y = next;
  }
  return y;
}

TEST(Rodas3, HalvingTheStepDividesTheErrorByEight) {
  double last0 = 0.0;
  double last1 = 0.0;
  for (const int steps : {20, 40, 80, 160}) {
    const Known::Vector y = integrate(-1.0, 1.0 / steps, steps);
    const double e0 = std::abs(y[0] - std::cos(1.0));
    const double e1 = std::abs(y[1] - 1.0 / std::sqrt(3.0));
    if (last0 > 0.0) {
      EXPECT_NEAR(std::log2(last0 / e0), 3.0, 0.15) << steps << " steps";
      EXPECT_NEAR(std::log2(last1 / e1), 3.0, 0.15) << steps << " steps";
    }
    last0 = e0;
    last1 = e1;
  }
}

TEST(Rodas3, ForgetsAStiffTransientWithinAStep) {
  // A trapezoidal rule would ring with the full 5 V for ever.
  const Known::Vector y = integrate(-1e9, 0.01, 1, 6.0);
  EXPECT_NEAR(y[0], std::cos(0.01), 1e-5);
}

TEST(Rodas3, FollowsAStiffDriveWithoutLag) {
  const Known::Vector y = integrate(-1e7, 0.01, 100);
  EXPECT_NEAR(y[0], std::cos(1.0), 1e-6);
}

}  // namespace
}  // namespace dawnrig::plant
