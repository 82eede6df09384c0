#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;

void sine(Monitor& monitor, double period_s, double amplitude_v, double duration_s, double drift_v_per_s = 0) {
  for (double t = 0; t < duration_s; t += 0.01) {
    run(monitor, {{t, 28.8 + drift_v_per_s * t + amplitude_v * std::sin(2 * std::numbers::pi * t / period_s)}});
  }
}

TEST(DominantPeriod, FindsASmallRippleOnALargeVoltage) {
  for (const double period_s : {0.73, 2.0, 7.3}) {
    DominantPeriod period{{.average_over = 50ms}};
    sine(period, period_s, 0.02, 60);
    EXPECT_NEAR(period.figure().value, period_s, 0.005) << "period " << period_s << " s";
    EXPECT_EQ(period.figure().exercised, static_cast<int>(in_seconds(period.figure().worst) / period.figure().value));
  }
}

TEST(DominantPeriod, OfATwoStepRegulatorIsThatOfItsSawtooth) {
  DominantPeriod period{{.average_over = 100ms}};
  for (int i = 0; i < 20; ++i) run(period, {{3.0 * i, 28.2}, {3.0 * i + 1.0, 29.2}});
  EXPECT_NEAR(period.figure().value, 3.0, 0.02);
}

TEST(DominantPeriod, OfASteadyVoltageIsVacuous) {
  DominantPeriod period{{.average_over = 50ms}, 0.001};
  sine(period, 2.0, 1e-6, 60);
  EXPECT_EQ(period.figure().exercised, 0);
  EXPECT_FALSE(period.figure().note.empty());
}

TEST(DominantPeriod, OfASingleRampIsVacuous) {
  DominantPeriod period{{.average_over = 50ms}};
  sine(period, 2.0, 0, 60, 0.05);
  EXPECT_EQ(period.figure().exercised, 0);
}

}  // namespace
}  // namespace dawnrig::verdict
