// What a battery went through, against arithmetic.
#include "harness/verdict/battery_counters.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "harness/base/bad_input.h"
#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using ::testing::HasSubstr;
using trace::Signal;

trace::Sample sample(double time_s, double terminal_v, double battery_degc, double soc_frac) {
  trace::Sample made = sample_at(time_s, Signal::kTerminalV, terminal_v);
  made[Signal::kBatteryDegc] = battery_degc;
  made[Signal::kSocFrac] = soc_frac;
  return made;
}

TEST(BatteryClock, CountsTheTimesOfATriangleExactly) {
  BatteryClock clock{{30, 50, 0.5}};
  clock.on_sample(sample(0, 24, 20, 0.9));
  clock.on_sample(sample(80, 32, 60, 0.4));   // above 30 V from 60 s, above 50 degC from 60 s, below half from 64 s
  clock.on_sample(sample(120, 28, 40, 0.6));  // above until 100 s, hot until 100 s, below until 100 s
  clock.on_sample(sample(120, 40, 40, 0.6));  // a jump, and straight back within 10 s
  clock.on_sample(sample(130, 20, 40, 0.6));
  const BatteryCounts counts = clock.counts();
  EXPECT_NEAR(counts.above_v_s, 40 + 5, 1e-9);
  EXPECT_NEAR(counts.above_degc_s, 40, 1e-9);
  EXPECT_NEAR(counts.below_soc_s, 36, 1e-9);
  EXPECT_EQ(counts.highest_v, 40);
  EXPECT_EQ(counts.highest_degc, 60);
  EXPECT_EQ(counts.lowest_soc_frac, 0.4);
}

TEST(BatteryClock, ThatSawNothingBeyondCountsNothing) {
  BatteryClock clock{{30, 50, 0.5}};
  for (int i = 0; i < 100; ++i) clock.on_sample(sample(i, 30, 50, 0.5));
  EXPECT_EQ(clock.counts().above_v_s, 0) << "at the limit is not above it";
  EXPECT_EQ(clock.counts().above_degc_s, 0);
  EXPECT_EQ(clock.counts().below_soc_s, 0);
}

TEST(BatteryLimits, AreTheBoardsUnlessTold) {
  profile::Declared declared;
  declared.over_voltage_v = 31.5;
  EXPECT_EQ(battery_limits(declared, {}).above_v, 31.5);
  const BatteryLimits given = battery_limits(declared, {28.8, 40, 0.3});
  EXPECT_EQ(given.above_v, 28.8);
  EXPECT_EQ(given.above_degc, 40);
  EXPECT_EQ(given.below_soc_frac, 0.3);
  try {
    (void)battery_limits(declared, {28.8, 40, 1.3});
    FAIL() << "a state of charge of 1.3 is none";
  } catch (const base::BadInput& bad) {
    EXPECT_THAT(bad.what(), HasSubstr("--count-below-soc-frac"));
  }
}

}  // namespace
}  // namespace dawnrig::verdict
