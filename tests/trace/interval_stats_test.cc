#include "harness/trace/interval_stats.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <random>
#include <vector>

#include "tests/trace/trace_files.h"

namespace dawnrig::trace {
namespace {

constexpr auto kV = static_cast<std::size_t>(Signal::kTerminalV);
constexpr auto kG = static_cast<std::size_t>(Signal::kGate);

Sample at(double t_ms, double terminal_v, double gate = 0.0) {
  Sample sample;
  sample.time = ms(t_ms);
  sample[Signal::kTerminalV] = terminal_v;
  sample[Signal::kGate] = gate;
  return sample;
}

std::vector<IntervalRow> rows_of(const std::vector<Sample>& samples, double interval_ms = 100) {
  std::vector<IntervalRow> rows;
  const auto keep = [&](const IntervalRow& row) { rows.push_back(row); };
  IntervalStats stats{ms(interval_ms)};
  for (const Sample& sample : samples) stats.advance(sample, keep);
  stats.finish(keep);
  return rows;
}

TEST(IntervalStats, MeansARampByItsMiddle) {
  const auto rows = rows_of({at(0, 12.0), at(100, 14.0)});
  ASSERT_EQ(rows.size(), 1U);
  EXPECT_EQ(rows[0].start, Nanos{0});
  EXPECT_FLOAT_EQ(rows[0].min[kV], 12.0F);
  EXPECT_FLOAT_EQ(rows[0].mean[kV], 13.0F);
  EXPECT_FLOAT_EQ(rows[0].max[kV], 14.0F);
}

TEST(IntervalStats, WeighsByTimeNotByNumberOfSamples) {
  // 12 V for 90 ms in one piece, 14 V for 10 ms in three.
  const auto rows = rows_of({at(0, 12), at(90, 12), at(90, 14), at(93, 14), at(96, 14), at(100, 14)});
  ASSERT_EQ(rows.size(), 1U);
  EXPECT_FLOAT_EQ(rows[0].mean[kV], 12.2F);
}

TEST(IntervalStats, MeansASwitchByItsDutyBecauseItHoldsUntilTheNextSample) {
  const auto rows = rows_of({at(0, 0, 1), at(25, 0, 0), at(100, 0, 1), at(200, 0, 1)});
  ASSERT_EQ(rows.size(), 2U);
  EXPECT_FLOAT_EQ(rows[0].mean[kG], 0.25F);
  EXPECT_EQ(rows[0].min[kG], 0.0F);
  EXPECT_EQ(rows[0].max[kG], 1.0F);
  EXPECT_EQ(rows[1].min[kG], 1.0F) << "the switch closed at the very beginning of this interval";
}

TEST(IntervalStats, SplitALineAtEachBoundaryItCrosses) {
  const auto rows = rows_of({at(50, 10), at(250, 30)});
  ASSERT_EQ(rows.size(), 3U);
  EXPECT_EQ(rows[0].start, Nanos{0});
  EXPECT_FLOAT_EQ(rows[0].mean[kV], 12.5F) << "of the half that the run covered";
  EXPECT_FLOAT_EQ(rows[1].min[kV], 15.0F);
  EXPECT_FLOAT_EQ(rows[1].mean[kV], 20.0F);
  EXPECT_FLOAT_EQ(rows[1].max[kV], 25.0F);
  EXPECT_FLOAT_EQ(rows[2].mean[kV], 27.5F);
}

TEST(IntervalStats, GiveAJumpOnABoundaryToBothSidesEachItsOwnValue) {
  const auto rows = rows_of({at(0, 12), at(100, 12), at(100, 99), at(100, 14), at(200, 14)});
  ASSERT_EQ(rows.size(), 2U);
  EXPECT_EQ(rows[0].max[kV], 12.0F);
  EXPECT_EQ(rows[1].min[kV], 14.0F);
  EXPECT_EQ(rows[1].max[kV], 14.0F) << "99 V was true for no time";
}

TEST(IntervalStats, GoThroughALongGapIntervalByInterval) {
  const auto rows = rows_of({at(0, 12), at(3'600'000, 12)});
  ASSERT_EQ(rows.size(), 36'000U);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    ASSERT_EQ(rows[i].start, ms(100) * static_cast<std::int64_t>(i));
    ASSERT_EQ(rows[i].mean[kV], 12.0F) << "interval " << i;
  }
}

TEST(IntervalStats, SayThatAValueIsNotANumberRatherThanMakeOneUp) {
  const auto rows = rows_of({at(0, std::nan("")), at(100, std::nan(""))});
  ASSERT_EQ(rows.size(), 1U);
  EXPECT_TRUE(std::isnan(rows[0].min[kV]));
  EXPECT_TRUE(std::isnan(rows[0].mean[kV]));
  EXPECT_TRUE(std::isnan(rows[0].max[kV]));
}

TEST(IntervalStats, HaveNoRowForARunThatLastedNoTime) {
  EXPECT_TRUE(rows_of({}).empty());
  EXPECT_TRUE(rows_of({at(0, 12)}).empty());
  EXPECT_TRUE(rows_of({at(0, 12), at(0, 13)}).empty());
}

// The same figures by brute force: every signal looked up each microsecond.
TEST(IntervalStats, AgreeWithLookingUpTheSignalsEveryMicrosecond) {
  std::mt19937 random{7};
  std::vector<Sample> samples{at(0, 12)};
  std::int64_t t_us = 0;
  while (t_us < 20'000) {
    t_us += static_cast<std::int64_t>(random() % 4) * 150;
    samples.push_back(at(static_cast<double>(t_us) * 1e-3, 10.0 + static_cast<double>(random() % 1000) * 0.01,
                         static_cast<double>(random() % 2)));
  }
  const auto rows = rows_of(samples, 3);
  std::size_t piece = 0;
  std::vector<std::array<double, 4>> expected(rows.size(), {1e9, -1e9, 0, 0});  // min, max and area of V; area of gate
  for (std::int64_t us = 0; us < t_us; ++us) {
    while (samples[piece + 1].time <= Nanos{us * 1000}) ++piece;
    const Sample& a = samples[piece];
    const Sample& b = samples[piece + 1];
    const double t = (static_cast<double>(us) + 0.5) * 1e-3 - static_cast<double>(a.time.count()) * 1e-6;
    const double span = static_cast<double>((b.time - a.time).count()) * 1e-6;
    const double v = a[Signal::kTerminalV] + (b[Signal::kTerminalV] - a[Signal::kTerminalV]) * t / span;
    auto& e = expected.at(static_cast<std::size_t>(us / 3000));
    e = {std::min(e[0], v), std::max(e[1], v), e[2] + v * 1e-3, e[3] + a[Signal::kGate] * 1e-3};
  }
  for (std::size_t i = 0; i + 1 < rows.size(); ++i) {
    // Half a microsecond of the steepest line, 10 V in 150 us, is 0.034 V.
    ASSERT_NEAR(rows[i].min[kV], expected[i][0], 0.035) << "interval " << i;
    ASSERT_NEAR(rows[i].max[kV], expected[i][1], 0.035) << "interval " << i;
    ASSERT_NEAR(rows[i].mean[kV], expected[i][2] / 3.0, 1e-5) << "interval " << i;
    ASSERT_NEAR(rows[i].mean[kG], expected[i][3] / 3.0, 1e-6) << "interval " << i;
  }
}

TEST(IntervalStats, NeverPutAMeanOutsideItsExtremes) {
  std::mt19937 random{11};
  std::vector<Sample> samples;
  for (std::int64_t i = 0; i < 20'000; ++i) {
    // Next to half-way between two floats: a mean that rounding carries over it becomes the next float.
    Sample sample = at(0, 1.0 + 0x1p-24 - 0x1p-52, static_cast<double>(random() % 2));
    sample[Signal::kBusV] = 1.0 + 0x1p-24 + 0x1p-52;
    sample[Signal::kPanelV] = 1.75 + 0x1p-24 - 0x1p-52;
    sample[Signal::kLoadV] = 1.75 + 0x1p-24 + 0x1p-52;
    sample.time = Nanos{i * 3'333'333'333 + static_cast<std::int64_t>(random() % 3'000'000'000)};
    samples.push_back(sample);
  }
  for (const IntervalRow& row : rows_of(samples, 1e6)) {
    for (std::size_t s = 0; s < kSignalCount; ++s) {
      ASSERT_LE(row.min[s], row.mean[s]) << "at " << row.start.count() << " ns";
      ASSERT_LE(row.mean[s], row.max[s]) << "at " << row.start.count() << " ns";
    }
  }
}

TEST(IntervalStats, HoldExactlyTheSignalsThatAreSwitches) {
  for (std::size_t s = 0; s < kSignalCount; ++s) {
    EXPECT_EQ(kHolds[s], is_switch(static_cast<Signal>(s))) << name_of(static_cast<Signal>(s));
  }
}

}  // namespace
}  // namespace dawnrig::trace
