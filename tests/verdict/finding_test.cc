#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "harness/verdict/monitor.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;

profile::Requirement requirement() {
  profile::Requirement r;
  r.id = "OVERSHOOT-LOAD-RELEASE";
  r.highest = 14.69;
  r.unit = "V";
  r.tolerance = 0.05;
  r.per_12v = true;
  return r;
}

Figure figure_of(double value) {
  Figure figure;
  figure.value = value;
  figure.worst = 13s;
  figure.exercised = 7;
  return figure;
}

Finding judged(const Figure& figure, const std::string& invalid_because = "") {
  return judge(requirement(), limit_of(requirement(), 24), figure, "terminal voltage averaged over 50 ms",
               invalid_because);
}

TEST(Limit, ScalesWithTheNominalVoltage) {
  const Limit limit = limit_of(requirement(), 24);
  EXPECT_DOUBLE_EQ(*limit.highest, 29.38);
  EXPECT_DOUBLE_EQ(limit.tolerance, 0.1);
  EXPECT_FALSE(limit.lowest);
}

TEST(Limit, OfASecondDoesNotScale) {
  profile::Requirement r = requirement();
  r.per_12v = false;
  EXPECT_DOUBLE_EQ(*limit_of(r, 48).highest, 14.69);
}

TEST(Judge, PassesOnTheLimitItself) {
  const Finding finding = judged(figure_of(29.38));
  EXPECT_EQ(finding.verdict, Verdict::kPass);
  EXPECT_EQ(finding.margin, 0);
}

TEST(Judge, SaysHowFarAPassWasFromTheLimit) {
  const Finding finding = judged(figure_of(29.08));
  EXPECT_EQ(finding.verdict, Verdict::kPass);
  EXPECT_NEAR(finding.margin, 0.30, 1e-12);
  EXPECT_NEAR(finding.margin_in_tolerances, 3.0, 1e-9);
  EXPECT_EQ(finding.reason, "the terminal voltage averaged over 50 ms was 29.08 V, 0.30 V below the limit of 29.38 V");
}

TEST(Judge, NamesTheFirstOffendingSampleAndTheWorst) {
  Figure figure = figure_of(29.80);
  figure.first_offence = Figure::Offence{12480ms, 29.61};
  const Finding finding = judged(figure);
  EXPECT_EQ(finding.verdict, Verdict::kFail);
  EXPECT_NEAR(finding.margin_in_tolerances, -4.2, 1e-9);
  EXPECT_EQ(finding.reason,
            "at 12.480 s the terminal voltage averaged over 50 ms was 29.61 V, above the limit of 29.38 V; at worst "
            "29.80 V at 13.000 s");
}

TEST(Judge, PrintsEnoughDigitsToTellTheFigureFromTheLimit) {
  const Finding finding = judged(figure_of(29.3804));
  EXPECT_EQ(finding.verdict, Verdict::kFail);
  EXPECT_EQ(finding.reason, "the terminal voltage averaged over 50 ms was 29.3804 V, above the limit of 29.3800 V");
}

TEST(Judge, MeasuresTheMarginToTheNearerEnd) {
  const Limit band{.lowest = 28, .highest = 30, .unit = "V", .tolerance = 0.1};
  EXPECT_NEAR(judge(requirement(), band, figure_of(28.2), "bus voltage", "").margin, 0.2, 1e-12);
  EXPECT_NEAR(judge(requirement(), band, figure_of(30.5), "bus voltage", "").margin, -0.5, 1e-12);
  const Finding low = judge(requirement(), band, figure_of(27), "bus voltage", "");
  EXPECT_EQ(low.reason, "the bus voltage was 27.00 V, below the limit of 28.00 V");
}

TEST(Judge, AnUntrustworthyRunIsInvalidWhateverItMeasured) {
  EXPECT_EQ(judged(figure_of(29.0), "the link was lost for 2 s").verdict, Verdict::kInvalid);
  EXPECT_EQ(judged(figure_of(40.0), "the link was lost for 2 s").verdict, Verdict::kInvalid);
  EXPECT_EQ(judged(figure_of(40.0), "the link was lost for 2 s").reason, "the link was lost for 2 s");
}

TEST(Judge, WhatIsNoNumberIsInvalidEvenIfNothingWasExercised) {
  Figure figure = figure_of(std::numeric_limits<double>::quiet_NaN());
  EXPECT_EQ(judged(figure).verdict, Verdict::kInvalid);
  EXPECT_EQ(judged(figure).margin, 0);
  figure.value = std::numeric_limits<double>::infinity();
  figure.exercised = 0;
  EXPECT_EQ(judged(figure).verdict, Verdict::kInvalid);
}

TEST(Judge, ALimitWithoutEndsJudgesNothing) {
  EXPECT_EQ(judge(requirement(), Limit{.unit = "V"}, figure_of(1), "bus voltage", "").verdict, Verdict::kInvalid);
}

TEST(Judge, WhatNeverHappenedIsVacuous) {
  Figure figure = figure_of(0);
  figure.exercised = 0;
  EXPECT_EQ(judged(figure).verdict, Verdict::kVacuous);
  EXPECT_EQ(judged(figure).margin, 0);
}

TEST(Judge, AWatchShorterThanTheLimitCannotPassWhatDidNotEnd) {
  const Limit within{.highest = 30, .unit = "s", .tolerance = 1};
  Figure figure = figure_of(20);
  figure.cut_off = true;
  figure.note = "it had not settled when the watch ended";
  EXPECT_EQ(judge(requirement(), within, figure, "settling time", "").verdict, Verdict::kVacuous);
  figure.value = 31;
  const Finding fail = judge(requirement(), within, figure, "settling time", "");
  EXPECT_EQ(fail.verdict, Verdict::kFail);
  EXPECT_EQ(
      fail.reason,
      "the settling time was at least 31.0 s, above the limit of 30.0 s; it had not settled when the watch ended");
}

TEST(Wording, PrintsNoNegativeZero) {
  EXPECT_EQ(with_unit(-0.001, "V", 2), "0.00 V");
}

TEST(Wording, ShowsATenthOfATolerance) {
  EXPECT_EQ(decimals_for(0.1), 2);
  EXPECT_EQ(decimals_for(0.144), 2);
  EXPECT_EQ(decimals_for(1), 1);
  EXPECT_EQ(decimals_for(60), 0);
}

TEST(Wording, DescribesWhatIsWatched) {
  EXPECT_EQ(words_for(Watching{.average_over = 50ms}), "terminal voltage averaged over 50 ms");
  EXPECT_EQ(words_for(Watching{.signal = trace::Signal::kBusV, .minus = 28.8}), "bus voltage minus 28.8 V");
  EXPECT_EQ(printed_time(3725s), "3725.000 s (1 h 02 min)");
}

TEST(GuardBand, DrawsInBothEndsOfALimitOnAVoltageAndNoOther) {
  const Limit volts = guarded({.lowest = 28.6, .highest = 29.0, .unit = "V"}, 0.004);
  EXPECT_DOUBLE_EQ(*volts.lowest, 28.604);
  EXPECT_DOUBLE_EQ(*volts.highest, 28.996);
  EXPECT_DOUBLE_EQ(*guarded({.highest = 10.0, .unit = "mV"}, 0.004).highest, 6.0);
  const Limit seconds = guarded({.highest = 1.0, .unit = "s"}, 0.004);
  EXPECT_EQ(*seconds.highest, 1.0);
  EXPECT_FALSE(seconds.lowest.has_value());
  Figure just_inside;
  just_inside.value = 28.998;
  just_inside.exercised = 1;
  EXPECT_EQ(judge({}, volts, just_inside, "figure", "").verdict, Verdict::kFail)
      << "inside the limit, but not whatever the error is";
}

}  // namespace
}  // namespace dawnrig::verdict
