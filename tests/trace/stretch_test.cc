// Stretches that are taken as a whole against the same samples one by one.
#include "harness/trace/stretch.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <memory>
#include <string>
#include <vector>

#include "harness/trace/interval_stats.h"
#include "harness/trace/window_keeper.h"
#include "tests/trace/stretch_of.h"
#include "tests/trace/trace_files.h"

namespace dawnrig::trace {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
constexpr auto kV = static_cast<std::size_t>(Signal::kTerminalV);
constexpr double kNotANumber = std::numeric_limits<double>::quiet_NaN();

Sample at(double t_ms, double terminal_v) {
  Sample sample;
  sample.time = ms(t_ms);
  sample[Signal::kTerminalV] = terminal_v;
  return sample;
}

class Notebook final : public Sink {
 public:
  void on_sample(const Sample& sample) override { samples.push_back(sample); }
  std::vector<Sample> samples;
};

void expect_same(const Sample& a, const Sample& b) {
  EXPECT_EQ(a.time, b.time);
  EXPECT_EQ(a.value, b.value);
}

TEST(Stretch, IsSampleBySampleToWhoeverKnowsNoBetter) {
  Notebook notebook;
  notebook.on_stretch(StretchOf{at(1, 12), {at(2, 13), at(3, 15)}});
  ASSERT_EQ(notebook.samples.size(), 2U);
  expect_same(notebook.samples[0], at(2, 13));
  expect_same(notebook.samples[1], at(3, 15));
}

TEST(Stretch, IsTakenApartOnceForAllSinks) {
  const StretchOf stretch{at(1, 12), {at(2, 13), at(3, 15)}};
  EXPECT_EQ(stretch.asked(), 0);
  Notebook first, second;
  first.on_stretch(stretch);
  second.on_stretch(stretch);
  EXPECT_EQ(second.samples.size(), 2U);
  EXPECT_EQ(stretch.asked(), 1);
}

struct Rows {
  std::vector<IntervalRow> rows;
  int taken_whole{0};
};

template <class Change>
Rows rows_of(bool whole, Nanos interval, int legs, Change&& change) {
  Rows result;
  IntervalStats stats{interval};
  RandomWalk walk{3};
  const auto keep = [&result](const IntervalRow& row) { result.rows.push_back(row); };
  for (int k = 0; k < legs; ++k) {
    change(walk, k);
    const RandomWalk::Leg leg = walk.next(Nanos{20'000});
    for (const Sample& sample : leg.jump) stats.advance(sample, keep);
    if (whole && stats.advance(StretchOf{leg.before, leg.steps})) {
      ++result.taken_whole;
    } else {
      for (const Sample& sample : leg.steps) stats.advance(sample, keep);
    }
  }
  stats.finish(keep);
  return result;
}

void expect_same_float(float a, float b, const std::string& where) {
  if (std::isnan(b)) {
    EXPECT_TRUE(std::isnan(a)) << where;
  } else {
    EXPECT_FLOAT_EQ(a, b) << where;
  }
}

void expect_same(const std::vector<IntervalRow>& a, const std::vector<IntervalRow>& b) {
  ASSERT_EQ(a.size(), b.size());
  for (std::size_t r = 0; r < a.size(); ++r) {
    ASSERT_EQ(a[r].start, b[r].start);
    for (std::size_t i = 0; i < kSignalCount; ++i) {
      const std::string where =
          std::string{name_of(static_cast<Signal>(i))} + " at " + std::to_string(a[r].start.count()) + " ns";
      EXPECT_TRUE(a[r].min[i] == b[r].min[i] || std::isnan(b[r].min[i])) << where;
      EXPECT_TRUE(a[r].max[i] == b[r].max[i] || std::isnan(b[r].max[i])) << where;
      EXPECT_EQ(std::isnan(a[r].min[i]), std::isnan(b[r].min[i])) << where;
      EXPECT_EQ(std::isnan(a[r].max[i]), std::isnan(b[r].max[i])) << where;
      expect_same_float(a[r].mean[i], b[r].mean[i], where);
    }
  }
}

TEST(IntervalStats, OfStretchesAreThoseOfTheirSamples) {
  const auto nothing = [](RandomWalk&, int) {};
  for (const double interval_ms : {0.1, 1.0, 30.0}) {
    const Rows whole = rows_of(true, ms(interval_ms), 3000, nothing);
    const Rows steps = rows_of(false, ms(interval_ms), 3000, nothing);
    expect_same(whole.rows, steps.rows);
    EXPECT_GT(whole.taken_whole, interval_ms < 1.0 ? 300 : 2000) << interval_ms << " ms";
    EXPECT_LT(whole.taken_whole, 3000) << interval_ms << " ms";
  }
}

TEST(IntervalStats, OfStretchesKnowWhatIsNotANumber) {
  const auto now_and_then = [](RandomWalk& walk, int leg) {
    if (leg % 100 == 30) walk.set(Signal::kPanelV, kNotANumber);
    if (leg % 100 == 50) walk.set(Signal::kPanelV, 20.0);
    if (leg % 100 == 60) walk.set(Signal::kBusV, std::numeric_limits<double>::infinity());
    if (leg % 100 == 61) walk.set(Signal::kBusV, 13.0);
  };
  const Rows whole = rows_of(true, ms(1), 2000, now_and_then);
  expect_same(whole.rows, rows_of(false, ms(1), 2000, now_and_then).rows);
  EXPECT_GT(whole.taken_whole, 1000);
}

TEST(IntervalStats, TakeNoStretchInWhichAnIntervalEndsOrThatGoesOnFromElsewhere) {
  IntervalStats stats{ms(100)};
  const auto ignore = [](const IntervalRow&) {};
  EXPECT_FALSE(stats.advance(StretchOf{at(10, 12), {at(20, 12), at(30, 12)}})) << "nothing to go on from";
  stats.advance(at(10, 12), ignore);
  EXPECT_FALSE(stats.advance(StretchOf{at(20, 12), {at(30, 12)}}));
  EXPECT_FALSE(stats.advance(StretchOf{at(10, 12), {at(50, 12), at(120, 12)}}));
  EXPECT_FALSE(stats.advance(StretchOf{at(10, 12), {at(50, 12), at(100, 12)}})) << "its end belongs to the next";
  EXPECT_FALSE(stats.advance(StretchOf{at(10, 12), {at(10, 12)}})) << "it lasts no time";
  EXPECT_TRUE(stats.advance(StretchOf{at(10, 12), {at(50, 12), at(99.9, 12)}}));
  expect_same(stats.last(), at(99.9, 12));
}

TEST(Stretch, IsNoMoreThanItsEndToWindowsWithoutReach) {
  std::vector<double> v;
  WindowKeeper keeper{Nanos{0}, [&v](const WindowPiece& piece) {
                        for (std::size_t i = 0; i < piece.time_ns.size(); ++i) {
                          v.push_back(static_cast<double>(piece.value[i * kSignalCount + kV]));
                        }
                      }};
  keeper.add(at(0, 12));
  const StretchOf quiet{at(0, 12), {at(1, 13), at(2, 14)}};
  keeper.add(quiet);
  EXPECT_EQ(quiet.asked(), 0);
  keeper.add(at(2, 20));
  keeper.trigger(ms(2));
  const StretchOf eventful{at(2, 20), {at(3, 21), at(4, 22)}};
  keeper.add(eventful);
  EXPECT_EQ(eventful.asked(), 1);
  keeper.flush();
  EXPECT_EQ(v, (std::vector<double>{14, 20})) << "both sides of the event's instant";
}

class RecordingStretches : public InAFolder {
 protected:
  struct Told {
    Trace trace;
    int asked{0};
    std::vector<std::size_t> on_disk;  ///< rows, windows and events, looked up now and then during the run
  };

  Told record(bool whole, const RecorderOptions& options, int legs) {
    Told told;
    const std::filesystem::path file = folder_ / "run.trace";
    Recorder recorder{file, some_identity(), options};
    RandomWalk walk{17};
    for (int k = 0; k < legs; ++k) {
      const RandomWalk::Leg leg = walk.next(Nanos{150'000});
      if (whole) {
        told.asked += tell_whole(recorder, leg) ? 1 : 0;
      } else {
        tell_steps(recorder, leg);
      }
      if (k % 211 == 7) recorder.on_event({walk.now(), EventKind::kLoadSwitch, "load output on"});
      if (k % 211 == 19) recorder.on_event({walk.now(), EventKind::kSerialOut, "14.4 V"});
      if (k % 97 == 0) {
        const Trace so_far = read_trace(file);
        told.on_disk.push_back(so_far.intervals.start.size());
        told.on_disk.push_back(so_far.windows.size());
        told.on_disk.push_back(so_far.events.size());
      }
    }
    recorder.finish(walk.now(), "");
    told.trace = read_trace(file);
    return told;
  }
};

void expect_same(const Trace& a, const Trace& b) {
  ASSERT_EQ(a.intervals.start, b.intervals.start);
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    ASSERT_EQ(a.intervals.min[i], b.intervals.min[i]) << a.signals[i];
    ASSERT_EQ(a.intervals.max[i], b.intervals.max[i]) << a.signals[i];
    for (std::size_t r = 0; r < a.intervals.start.size(); ++r) {
      ASSERT_FLOAT_EQ(a.intervals.mean[i][r], b.intervals.mean[i][r]) << a.signals[i] << " in row " << r;
    }
  }
  ASSERT_EQ(a.windows.size(), b.windows.size());
  for (std::size_t w = 0; w < a.windows.size(); ++w) {
    ASSERT_EQ(a.windows[w].time, b.windows[w].time) << "window " << w;
    ASSERT_EQ(a.windows[w].value, b.windows[w].value) << "window " << w;
  }
  ASSERT_EQ(a.events.size(), b.events.size());
  EXPECT_EQ(a.end, b.end);
}

TEST_F(RecordingStretches, RecordsWhatTheirSamplesWouldHaveBeenAndWritesItInTheSameBlocks) {
  struct Case {
    RecorderOptions options;
    int most_asked;
  };
  constexpr int kLegs = 4000;  // of 0.8 ms each
  for (const auto& [options, most_asked] :
       {Case{{.interval = ms(100), .event_window = ms(20)}, kLegs}, Case{{.event_window = Nanos{0}}, 200},
        Case{{.windows = false}, 200}, Case{{.interval = ms(0.7), .windows = false}, 3500},
        Case{{.interval = ms(30), .event_window = ms(2)}, kLegs}}) {
    const Told whole = record(true, options, kLegs);
    const Told steps = record(false, options, kLegs);
    expect_same(whole.trace, steps.trace);
    EXPECT_GE(whole.trace.end, ms(2500));
    EXPECT_EQ(whole.on_disk, steps.on_disk) << "what a killed process would have left";
    EXPECT_LE(whole.asked, most_asked) << "of the stretches were looked into";
    EXPECT_GT(whole.asked, 20);
    EXPECT_EQ(whole.trace.windows.empty(), !options.windows);
  }
}

TEST_F(RecordingStretches, RefusesOneFromThePast) {
  Recorder recorder{{}, {}, {}};
  recorder.on_sample(at(10, 12));
  EXPECT_THAT(complaint_of<base::RunFault>([&] {
                recorder.on_stretch(StretchOf{at(8, 12), {at(9, 12), at(11, 12)}});
              }),
              AllOf(HasSubstr("9000000 ns"), HasSubstr("10000000 ns")));
}

}  // namespace
}  // namespace dawnrig::trace
