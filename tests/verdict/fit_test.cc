#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>

#include "harness/verdict/fit.h"

namespace dawnrig::verdict {
namespace {

TEST(Slope, IsTheTemperatureCompensationOfTheSetPoints) {
  // Anscombe's first set would do; this one has a pencil-and-paper answer: y = 30 - 0.06 x with residuals +-0.01.
  const std::array points{Point{0, 30.01}, Point{10, 29.39}, Point{20, 28.79}, Point{30, 28.21}};
  const Line line = line_through(points);
  EXPECT_NEAR(line.slope, -0.06, 1e-12);
  EXPECT_NEAR(line.intercept, 30.0, 1e-12);
  EXPECT_NEAR(line.worst_residual, 0.01, 1e-12);
  EXPECT_EQ(slope_of(points).exercised, 4);
}

TEST(Slope, ThroughOneTemperatureIsVacuous) {
  const std::array points{Point{25, 28.8}, Point{25, 28.9}};
  EXPECT_EQ(slope_of(points).exercised, 0);
  EXPECT_EQ(slope_of({}).exercised, 0);
}

TEST(Spread, IsHighestMinusLowest) {
  const std::array values{28.81, 28.79, 28.84};
  EXPECT_NEAR(spread_of(values).value, 0.05, 1e-12);
  EXPECT_EQ(spread_of(values).exercised, 3);
}

TEST(Spread, OfSomethingThatIsNoNumberIsNoNumber) {
  const std::array values{28.81, std::numeric_limits<double>::quiet_NaN(), 28.84};
  EXPECT_TRUE(std::isnan(spread_of(values).value));
}

}  // namespace
}  // namespace dawnrig::verdict
