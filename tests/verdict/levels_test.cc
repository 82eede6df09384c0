#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;

TEST(Mean, WeighsEverySampleByTheTimeItStandsFor) {
  Mean mean{{}};
  run(mean, {{10, 28}, {11, 28}, {11, 30}, {14, 30}});  // 1 s at 28 V, a jump, 3 s at 30 V
  EXPECT_DOUBLE_EQ(mean.figure().value, 29.5);
  EXPECT_EQ(mean.figure().worst, 14s);
  EXPECT_EQ(mean.figure().exercised, 4);
}

TEST(Mean, OfARampIsItsMiddle) {
  Mean mean{{.minus = 28.8}};
  run(mean, {{0, 28}, {10, 30}});
  EXPECT_NEAR(mean.figure().value, 0.2, 1e-12);
}

TEST(Mean, OfASwitchIsItsDutyBecauseItHoldsUntilTheNextSample) {
  Mean mean{{.signal = trace::Signal::kGate}};
  run(mean, trace::Signal::kGate, {{0, 1}, {0.25, 0}, {1, 1}, {1.25, 0}, {2, 0}});
  EXPECT_DOUBLE_EQ(mean.figure().value, 0.25);
}

TEST(Mean, OfNoDurationIsVacuous) {
  Mean mean{{}};
  EXPECT_EQ(mean.figure().exercised, 0);
  run(mean, {{5, 28}, {5, 29}});
  EXPECT_EQ(mean.figure().exercised, 0);
}

TEST(Highest, FindsTheSpikeThatLastsOneSample) {
  Highest highest{{.limit = Limit{.highest = 29.38, .unit = "V"}}};
  run(highest, {{0, 28.8}, {1, 29.2}, {1, 30.1}, {1, 29.5}, {2, 28.8}});
  const Figure figure = highest.figure();
  EXPECT_DOUBLE_EQ(figure.value, 30.1);
  EXPECT_EQ(figure.worst, 1s);
  ASSERT_TRUE(figure.first_offence);
  EXPECT_DOUBLE_EQ(figure.first_offence->value, 30.1);
  EXPECT_EQ(figure.exercised, 5);
}

TEST(Highest, OfAveragesTakesTheRippleOut) {
  Highest highest{{.average_over = 100ms}};
  for (int i = 0; i < 10; ++i) {  // 1 V of ripple about 28.8 V, 20 ms per cycle
    const double t = 0.02 * i;
    run(highest, {{t, 28.3}, {t + 0.01, 29.3}});
  }
  run(highest, {{0.2, 28.3}});
  EXPECT_NEAR(highest.figure().value, 28.8, 1e-9);
  EXPECT_EQ(highest.figure().exercised, 2);
}

TEST(Highest, CountsAveragingWindowsFromAttach) {
  Highest highest{{.average_over = 1s}};
  run(highest, {{0.4, 10}, {1.4, 10}, {1.4, 20}, {2.4, 20}, {2.9, 20}});
  EXPECT_DOUBLE_EQ(highest.figure().value, 20);
  EXPECT_EQ(highest.figure().worst, 2400ms) << "a window's time is its end";
  EXPECT_EQ(highest.figure().exercised, 2) << "the half window at the end is not judged";
}

TEST(Highest, AveragesAcrossALongGapBetweenSamples) {
  Highest highest{{.average_over = 1s}};
  Lowest lowest{{.average_over = 1s}};
  run(highest, {{0, 0}, {10, 10}});
  run(lowest, {{0, 0}, {10, 10}});
  EXPECT_NEAR(highest.figure().value, 9.5, 1e-12);
  EXPECT_NEAR(lowest.figure().value, 0.5, 1e-12);
  EXPECT_EQ(highest.figure().exercised, 10);
}

TEST(Highest, OfNothingIsVacuousAndNoInfinity) {
  const Highest highest{{}};
  EXPECT_EQ(highest.figure().exercised, 0);
  EXPECT_EQ(highest.figure().value, 0);
}

TEST(Highest, OfAWindowShorterThanTheAverageIsVacuous) {
  Highest highest{{.average_over = 1s}};
  run(highest, {{0, 28}, {0.9, 28}});
  EXPECT_EQ(highest.figure().exercised, 0);
}

TEST(Highest, IsNoNumberOnceASampleWasNone) {
  Highest highest{{}};
  run(highest, {{0, 28}, {1, std::numeric_limits<double>::quiet_NaN()}, {2, 29}});
  EXPECT_TRUE(std::isnan(highest.figure().value));
}

TEST(Lowest, NotesTheFirstSampleBelowTheLimitAndTheWorst) {
  Lowest lowest{{.limit = Limit{.lowest = 22.0, .unit = "V"}}};
  run(lowest, {{0, 24}, {1, 21.9}, {2, 21.5}, {3, 24}});
  const Figure figure = lowest.figure();
  EXPECT_DOUBLE_EQ(figure.value, 21.5);
  EXPECT_EQ(figure.worst, 2s);
  ASSERT_TRUE(figure.first_offence);
  EXPECT_EQ(figure.first_offence->time, 1s);
  EXPECT_DOUBLE_EQ(figure.first_offence->value, 21.9);
}

TEST(Lowest, OnTheLimitIsNoOffence) {
  Lowest lowest{{.limit = Limit{.lowest = 22.0, .unit = "V"}}};
  run(lowest, {{0, 24}, {1, 22.0}});
  EXPECT_FALSE(lowest.figure().first_offence);
}

TEST(WorstWithin, TakesTheValueNearestToEitherEnd) {
  WorstWithin worst{{.limit = Limit{.lowest = 28, .highest = 30, .unit = "V"}}};
  run(worst, {{0, 29}, {1, 29.8}, {2, 28.1}, {3, 29}});
  EXPECT_DOUBLE_EQ(worst.figure().value, 28.1);
  EXPECT_EQ(worst.figure().worst, 2s);
  EXPECT_FALSE(worst.figure().first_offence);
  run(worst, {{4, 30.5}, {5, 27}});
  EXPECT_DOUBLE_EQ(worst.figure().value, 27);
  EXPECT_EQ(worst.figure().first_offence->time, 4s);
}

TEST(PeakToPeak, IsTheSwingAndItsLaterEnd) {
  PeakToPeak swing{{.limit = Limit{.highest = 0.5, .unit = "V"}}};
  run(swing, {{0, 29}, {1, 28.8}, {2, 29.2}, {3, 29.4}, {4, 29}});
  EXPECT_NEAR(swing.figure().value, 0.6, 1e-12);
  EXPECT_EQ(swing.figure().worst, 3s);
  EXPECT_EQ(swing.figure().first_offence->time, 3s);
}

TEST(PeakToPeak, OfOneValueIsVacuous) {
  PeakToPeak swing{{}};
  run(swing, {{0, 29}});
  EXPECT_EQ(swing.figure().exercised, 0);
}

TEST(Levels, TellTheReportWhichSignalTheirLimitBelongsTo) {
  Highest highest{{.signal = trace::Signal::kBusV, .minus = 28.8}};
  run(highest, trace::Signal::kBusV, {{0, 29}});
  ASSERT_TRUE(highest.figure().level);
  EXPECT_EQ(highest.figure().level->signal, trace::Signal::kBusV);
  EXPECT_DOUBLE_EQ(highest.figure().level->minus, 28.8);
}

}  // namespace
}  // namespace dawnrig::verdict
