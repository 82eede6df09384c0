// Monitors that take stretches as a whole against the same monitors step by step: the same figure, offence and instant.
#include <gtest/gtest.h>

#include <chrono>
#include <cmath>
#include <functional>
#include <limits>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "harness/verdict/battery_counters.h"
#include "harness/verdict/durations.h"
#include "harness/verdict/evidence.h"
#include "harness/verdict/levels.h"
#include "harness/verdict/period.h"
#include "harness/verdict/switching.h"
#include "tests/trace/stretch_of.h"
#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;
using trace::RandomWalk;
using trace::Signal;

constexpr Nanos kLongestStep{20us};
constexpr int kLegs = 3000;
constexpr double kNotANumber = std::numeric_limits<double>::quiet_NaN();

double centre(Signal signal) {
  return RandomWalk::centre(static_cast<std::size_t>(signal));
}

struct Kind {
  std::string name;
  std::function<std::unique_ptr<Monitor>()> make;
  int most_asked;  ///< of kLegs stretches, how many it may look into
};

template <class T, class... Args>
Kind kind(std::string name, int most_asked, Args... args) {
  return {std::move(name), [args...] { return std::make_unique<T>(args...); }, most_asked};
}

std::vector<Kind> kinds() {
  const double v = centre(Signal::kBusV);
  const Limit limit{.lowest = v - 0.4, .highest = v + 0.4, .unit = "V"};
  const Watching bus{.signal = Signal::kBusV, .limit = limit};
  const Watching rise{.signal = Signal::kBusV, .minus = v, .limit = Limit{.lowest = -0.5, .highest = 0.45}};
  const Watching averaged{.signal = Signal::kBusV, .average_over = 5ms, .limit = limit};
  const Watching swing{.signal = Signal::kBusV, .limit = Limit{.highest = 0.9}};
  const Watching timed{.signal = Signal::kBusV, .limit = Limit{.highest = 0.011, .unit = "s"}};
  const Limit a_while{.highest = 0.07, .unit = "s"};
  constexpr int kFew = 300;
  constexpr int kSome = 1900;
  return {
      kind<Mean>("mean", 1, bus),
      kind<Mean>("mean of a rise", 1, rise),
      kind<Highest>("highest", kFew, bus),
      kind<Highest>("highest of a rise", kFew, rise),
      kind<Highest>("highest of averages", kFew, averaged),
      kind<Lowest>("lowest", kFew, bus),
      kind<Lowest>("lowest of a rise", kFew, rise),
      kind<Lowest>("lowest of averages", kFew, averaged),
      kind<WorstWithin>("worst within", kFew, bus),
      kind<WorstWithin>("worst within, of a rise", kFew, rise),
      kind<WorstWithin>("worst within, of averages", kFew, averaged),
      kind<WorstWithin>("worst within nothing", kLegs, Watching{.signal = Signal::kBusV}),
      kind<PeakToPeak>("peak to peak", kFew, swing),
      kind<PeakToPeak>("peak to peak of averages", kFew, averaged),
      kind<TimeAbove>("time above", kSome, timed, v + 0.1),
      kind<TimeAbove>("time above what is rare", kFew, timed, v + 0.5),
      kind<TimeAbove>("time above what is usual", kSome, timed, v - 0.4),
      kind<TimeBelow>("time below", kSome, timed, v - 0.1),
      kind<TimeBelow>("time below what is usual", kSome, timed, v + 0.4),
      kind<TimeAbove>("time above, of averages", kFew, averaged, v + 0.05),
      kind<SettlingTime>("settling", kSome, bus, v - 0.3, v + 0.3),
      kind<SettlingTime>("settling in a wide band", kFew, bus, v - 0.5, v + 0.5),
      kind<SettlingTime>("settling of averages", kFew, averaged, v - 0.1, v + 0.1),
      kind<FirstCrossing>("first crossing up", 3, bus, Side::kAbove, v + 0.45),
      kind<FirstCrossing>("first crossing down", 3, bus, Side::kBelow, v - 0.45),
      kind<FirstCrossing>("first crossing of averages", kFew, averaged, Side::kAbove, v + 0.1),
      kind<DominantPeriod>("period", kFew, averaged, 0.0, std::size_t{32}),
      kind<LastOn>("last on", 1, Signal::kLoadSwitch, IfNeverOn::kVacuous),
      kind<LastOn>("last on of what is no switch", kLegs, Signal::kSocFrac, IfNeverOn::kHolds),
      kind<OnTime>("on time", 2, Signal::kGate, a_while),
      kind<OnFraction>("on fraction", 1, Signal::kGate),
      kind<Toggles>("toggles", 1, Signal::kGate, Limit{.highest = 700, .unit = "count"}),
      kind<ValueAtSwitching>("value at switching", 1, bus, Signal::kLoadSwitch, Edge::kOn),
      kind<ValueAtSwitching>("average at switching", kFew, averaged, Signal::kLoadSwitch, Edge::kOff),
      kind<ValueAtSwitching>("value at what is no switch", kLegs, bus, Signal::kSocFrac, Edge::kOff),
  };
}

void expect_near(double whole, double steps, const std::string& what) {
  if (std::isnan(steps)) {
    EXPECT_TRUE(std::isnan(whole)) << what;
  } else if (whole != steps) {  // infinities too
    EXPECT_NEAR(whole, steps, 1e-11 * (1.0 + std::abs(steps))) << what;
  }
}

void expect_same(const Figure& whole, const Figure& steps) {
  expect_near(whole.value, steps.value, "the figure");
  EXPECT_EQ(whole.worst, steps.worst);
  EXPECT_EQ(whole.exercised, steps.exercised);
  ASSERT_EQ(whole.first_offence.has_value(), steps.first_offence.has_value());
  if (steps.first_offence) {
    EXPECT_EQ(whole.first_offence->time, steps.first_offence->time);
    expect_near(whole.first_offence->value, steps.first_offence->value, "the first offence");
  }
  EXPECT_EQ(whole.cut_off, steps.cut_off);
  EXPECT_EQ(whole.note, steps.note);
}

/// Compared after each leg, so that nothing cancels. Returns how many stretches were looked into.
template <class Change>
int expect_same_throughout(const Kind& kind, RandomWalk walk, Change&& change) {
  const auto whole = kind.make();
  const auto steps = kind.make();
  int asked = 0;
  for (int k = 0; k < kLegs && !::testing::Test::HasFailure(); ++k) {
    change(walk, k);
    const RandomWalk::Leg leg = walk.next(kLongestStep);
    asked += tell_whole(*whole, leg) ? 1 : 0;
    tell_steps(*steps, leg);
    expect_same(whole->figure(), steps->figure());
  }
  return asked;
}

void nothing(RandomWalk& /*walk*/, int /*leg*/) {}

TEST(Stretches, GiveEveryMonitorTheFigureThatTheirSamplesDo) {
  for (const Kind& kind : kinds()) {
    SCOPED_TRACE(kind.name);
    const int asked = expect_same_throughout(kind, RandomWalk{5}, nothing);
    EXPECT_LE(asked, kind.most_asked) << "stretches were looked into";
  }
}

TEST(Stretches, GiveItAlsoWhereValuesAreOftenTheSameAndOftenAtTheLimit) {
  for (const Kind& kind : kinds()) {
    SCOPED_TRACE(kind.name);
    expect_same_throughout(kind, RandomWalk{6, 0.1}, nothing);
    expect_same_throughout(kind, RandomWalk{7, 0.05}, nothing);
  }
}

TEST(Stretches, HideNoValueThatIsNotANumber) {
  const auto once = [](RandomWalk& walk, int leg) {
    if (leg == 1000) walk.set(Signal::kBusV, kNotANumber);
    if (leg == 1001) walk.set(Signal::kBusV, centre(Signal::kBusV));
    if (leg == 2000) walk.set(Signal::kBusV, std::numeric_limits<double>::infinity());
    if (leg == 2001) walk.set(Signal::kBusV, centre(Signal::kBusV));
  };
  for (const Kind& kind : kinds()) {
    SCOPED_TRACE(kind.name);
    expect_same_throughout(kind, RandomWalk{8}, once);
  }
}

TEST(Stretches, LeaveTheSpikeWithinThemItsInstant) {
  Highest highest{{.limit = Limit{.highest = 29.38, .unit = "V"}}};
  TimeAbove above{{.limit = Limit{.highest = 0.4, .unit = "s"}}, 29.0};
  const trace::Sample before = sample_at(0, Signal::kTerminalV, 28);
  for (Monitor* monitor : {static_cast<Monitor*>(&highest), static_cast<Monitor*>(&above)}) {
    monitor->on_sample(before);
    monitor->on_stretch(
        trace::StretchOf{before, {sample_at(1, Signal::kTerminalV, 30), sample_at(2, Signal::kTerminalV, 28)}});
  }
  EXPECT_EQ(highest.figure().worst, 1s);
  EXPECT_EQ(highest.figure().first_offence.value().time, 1s);
  EXPECT_EQ(above.figure().value, 1.0);
  EXPECT_EQ(above.figure().first_offence.value().time, 1s) << "half a second by then";
}

TEST(Stretches, ThatDoNotGoOnFromTheLastSampleAreTakenApart) {
  for (const Kind& kind : kinds()) {
    SCOPED_TRACE(kind.name);
    const auto whole = kind.make();
    const auto steps = kind.make();
    RandomWalk walk{9};
    for (int k = 0; k < 200; ++k) {
      static_cast<void>(walk.next(kLongestStep));  // nobody told them of this one
      const RandomWalk::Leg leg = walk.next(kLongestStep);
      whole->on_stretch(trace::StretchOf{leg.before, leg.steps});
      for (const trace::Sample& sample : leg.steps) steps->on_sample(sample);
    }
    expect_same(whole->figure(), steps->figure());
  }
}

TEST(Stretches, DrawTheSameCurves) {
  for (const double quantum : {0.0, 0.1}) {
    const std::vector<Signal> signals{Signal::kBusV, Signal::kPanelA, Signal::kGate};
    EvidenceCollector whole{signals, 64};
    EvidenceCollector steps{signals, 64};
    RandomWalk walk{10, quantum};
    int asked = 0;
    for (int k = 0; k < kLegs; ++k) {
      if (k == 2000) walk.set(Signal::kPanelA, kNotANumber);
      if (k == 2010) walk.set(Signal::kPanelA, 14.0);
      const RandomWalk::Leg leg = walk.next(kLongestStep);
      asked += tell_whole(whole, leg) ? 1 : 0;
      tell_steps(steps, leg);
    }
    EXPECT_LT(asked, 600) << "of " << kLegs << " stretches were looked into";
    const std::vector<Curve> a = whole.curves();
    const std::vector<Curve> b = steps.curves();
    ASSERT_EQ(a.size(), b.size());
    for (std::size_t s = 0; s < a.size(); ++s) {
      EXPECT_EQ(a[s].time_s, b[s].time_s);
      EXPECT_EQ(a[s].end_s, b[s].end_s);
      ASSERT_EQ(a[s].mean.size(), b[s].mean.size());
      EXPECT_GT(b[s].mean.size(), 30U);
      for (std::size_t i = 0; i < b[s].mean.size(); ++i) {
        const std::string where = b[s].label + ", bucket " + std::to_string(i);
        EXPECT_TRUE(a[s].low[i] == b[s].low[i] || std::isnan(b[s].low[i])) << where;
        EXPECT_TRUE(a[s].high[i] == b[s].high[i] || std::isnan(b[s].high[i])) << where;
        EXPECT_EQ(std::isnan(a[s].low[i]), std::isnan(b[s].low[i])) << where;
        EXPECT_EQ(std::isnan(a[s].high[i]), std::isnan(b[s].high[i])) << where;
        expect_near(a[s].mean[i], b[s].mean[i], where);
      }
    }
  }
}

void expect_same(const BatteryCounts& whole, const BatteryCounts& steps) {
  expect_near(whole.above_v_s, steps.above_v_s, "above the voltage");
  expect_near(whole.above_degc_s, steps.above_degc_s, "above the temperature");
  expect_near(whole.below_soc_s, steps.below_soc_s, "below the charge");
  EXPECT_EQ(whole.highest_v, steps.highest_v);
  EXPECT_EQ(whole.highest_degc, steps.highest_degc);
  EXPECT_EQ(whole.lowest_soc_frac, steps.lowest_soc_frac);
}

TEST(Stretches, AreCountedToTheBatteryAsTheirSamplesAre) {
  constexpr int kNumbers = 2000;  // legs of which all is a number
  const BatteryLimits limits{centre(Signal::kTerminalV) + 0.2, centre(Signal::kBatteryDegc) - 0.3,
                             centre(Signal::kSocFrac) - 0.3};
  for (const double quantum : {0.0, 0.1}) {
    BatteryClock whole{limits};
    BatteryClock steps{limits};
    RandomWalk walk{12, quantum};
    int asked = 0;
    for (int k = 0; k < kLegs && !HasFailure(); ++k) {
      if (k == kNumbers) walk.set(Signal::kSocFrac, kNotANumber);
      const RandomWalk::Leg leg = walk.next(kLongestStep);
      asked += tell_whole(whole, leg) && k < kNumbers ? 1 : 0;
      tell_steps(steps, leg);
      expect_same(whole.counts(), steps.counts());
    }
    EXPECT_GT(whole.counts().above_v_s, 0.0);
    EXPECT_LT(asked, kNumbers / 2) << "most stretches were looked into";
  }
}

TEST(Stretches, ThatLoseANumberOnTheWayAreCountedToTheBatterySampleBySample) {
  const BatteryLimits limits{30.0, 50.0, 0.5};
  trace::Sample before;
  before[Signal::kSocFrac] = 0.4;
  std::vector<trace::Sample> samples(3, before);
  samples[1][Signal::kSocFrac] = kNotANumber;
  for (std::size_t i = 0; i < samples.size(); ++i) samples[i].time = std::chrono::seconds{i + 1};
  BatteryClock whole{limits};
  BatteryClock steps{limits};
  whole.on_sample(before);
  steps.on_sample(before);
  whole.on_stretch(trace::StretchOf{before, samples});
  for (const trace::Sample& sample : samples) steps.on_sample(sample);
  EXPECT_TRUE(std::isnan(steps.counts().below_soc_s)) << "a count that nobody can make up";
  EXPECT_TRUE(std::isnan(whole.counts().below_soc_s));
}

}  // namespace
}  // namespace dawnrig::verdict
