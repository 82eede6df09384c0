#include <gtest/gtest.h>

#include <algorithm>

#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using trace::Signal;

TEST(Evidence, KeepsASpikeOfOneSampleInADayOfThousandsOfSeconds) {
  EvidenceCollector collector{{Signal::kTerminalV}, 100};
  for (int s = 0; s < 86'400; s += 10) {
    run(collector, {{s, 28.8}});
    if (s == 6'000) run(collector, {{s + 5, 28.8}, {s + 5, 33.0}, {s + 5, 28.8}});
    if (s == 41'110) run(collector, {{s + 5, 28.8}, {s + 5, 21.0}, {s + 5, 28.8}});
  }
  run(collector, {{86'400, 28.8}});
  const Curve curve = collector.curves().front();
  EXPECT_LE(curve.time_s.size(), 100U);
  EXPECT_GE(curve.time_s.size(), 50U);
  EXPECT_DOUBLE_EQ(*std::max_element(curve.high.begin(), curve.high.end()), 33.0);
  EXPECT_DOUBLE_EQ(*std::min_element(curve.low.begin(), curve.low.end()), 21.0);
  EXPECT_DOUBLE_EQ(curve.end_s, 86'400);
}

TEST(Evidence, KeepsAJumpWhicheverBucketItFallsInto) {
  for (int at_s = 1; at_s < 64; ++at_s) {
    EvidenceCollector collector{{Signal::kTerminalV}, 8};
    run(collector, {{0, 28.8}, {at_s, 28.8}, {at_s, 33.0}, {at_s, 21.0}, {at_s, 28.8}, {64, 28.8}});
    run(collector, {{1000, 28.8}});
    const Curve curve = collector.curves().front();
    EXPECT_DOUBLE_EQ(*std::max_element(curve.high.begin(), curve.high.end()), 33.0) << "jump at " << at_s << " s";
    EXPECT_DOUBLE_EQ(*std::min_element(curve.low.begin(), curve.low.end()), 21.0) << "jump at " << at_s << " s";
  }
}

TEST(Evidence, FillsTheBucketsBetweenTwoFarSamplesWithTheLine) {
  EvidenceCollector collector{{Signal::kTerminalV}, 64};
  run(collector, {{100, 0}, {110, 10}});
  const Curve curve = collector.curves().front();
  ASSERT_GE(curve.time_s.size(), 32U);
  for (std::size_t i = 0; i < curve.time_s.size(); ++i) {
    const double begin_v = curve.time_s[i] - 100;
    const double end_v = i + 1 < curve.time_s.size() ? curve.time_s[i + 1] - 100 : 10;
    EXPECT_NEAR(curve.low[i], begin_v, 1e-9) << "bucket " << i;
    EXPECT_NEAR(curve.high[i], end_v, 1e-9) << "bucket " << i;
    EXPECT_NEAR(curve.mean[i], 0.5 * (begin_v + end_v), 1e-9) << "bucket " << i;
  }
}

TEST(Evidence, MeanOfASwitchIsItsShareOfTimeOn) {
  EvidenceCollector collector{{Signal::kGate}, 10};
  for (int i = 0; i < 1000; ++i) run(collector, Signal::kGate, {{0.002 * i, 1}, {0.002 * i + 0.0005, 0}});
  run(collector, Signal::kGate, {{2.0, 0}});
  const Curve curve = collector.curves().front();
  EXPECT_TRUE(curve.is_switch);
  for (std::size_t i = 0; i + 1 < curve.mean.size(); ++i) EXPECT_NEAR(curve.mean[i], 0.25, 0.01) << "bucket " << i;
}

TEST(Evidence, OfARunThatNeverBeganIsEmpty) {
  const EvidenceCollector collector{{Signal::kTerminalV}};
  EXPECT_TRUE(collector.curves().front().time_s.empty());
}

}  // namespace
}  // namespace dawnrig::verdict
