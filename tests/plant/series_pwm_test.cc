// Plant, stage and core: the blocking branch and the functions it is solved with.
#include "plant/stage/series_pwm.h"

#include <gtest/gtest.h>

#include <cmath>

#include "fixture.h"
#include "plant/core/anchored_exp.h"

namespace dawnrig::plant {
namespace {

TEST(BlockingBranch, CarriesWhatTheImplicitDiodeEquationSaysAndBlocksInReverse) {
  const StageParams p;
  const BlockingBranch branch{p};
  WrightOmega omega;
  const double vt = 1.04 * 8.617333262e-5 * 298.15;
  for (const double u : {-60.0, -1.0, -0.01, 0.0, 0.1, 0.3, 0.45, 0.7, 3.0, 20.0, 0.2}) {
    const double expected = bisect(
        -2.000001e-6, 2000.0, [&](double i) { return i > -2e-6 ? vt * std::log1p(i / 2e-6) + 0.022 * i - u : -1.0; });
    const BranchPoint q = branch.at(u, omega);
    ASSERT_NEAR(q.current_a, expected, 1e-9 * std::abs(expected) + 1e-15) << "at " << u << " V";
    WrightOmega up;
    WrightOmega down;
    const double slope = (branch.at(u + 1e-6, up).current_a - branch.at(u - 1e-6, down).current_a) / 2e-6;
    ASSERT_NEAR(slope, q.d_voltage, 1e-6 * (1e-3 + q.d_voltage)) << "at " << u << " V";
  }
}

TEST(WrightOmega, SatisfiesItsEquationFromAnyStartingPoint) {
  for (const double from : {-30.0, 0.5, 3.0, 600.0}) {
    for (double x = -37.0; x < 2000.0; x += 0.37 + 0.01 * std::abs(x)) {
      WrightOmega omega;
      (void)omega(from);
      const double w = omega(x);
      ASSERT_NEAR(w + std::log(w), x, 4e-15 * (std::abs(x) + 10.0)) << "x = " << x << " after " << from;
    }
  }
  WrightOmega omega;
  EXPECT_DOUBLE_EQ(omega(1.0), 1.0);
  EXPECT_TRUE(std::isnan(omega(std::nan(""))));
  EXPECT_DOUBLE_EQ(omega(1.0), 1.0) << "must recover after not-a-number";
}

TEST(AnchoredFunctions, DriftWithTheirArgumentAndStayExact) {
  AnchoredExp exponential;
  AnchoredLog logarithm;
  for (double z = -3.0; z < 3.0; z += 0.0007) {
    ASSERT_NEAR(exponential(z) / std::exp(z), 1.0, 2e-12) << z;
    ASSERT_NEAR(logarithm(z + 4.0), std::log(z + 4.0), 1e-15 + 4e-16 * std::abs(std::log(z + 4.0))) << z;
  }
}

}  // namespace
}  // namespace dawnrig::plant
