#include "harness/trace/recorder.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <string>

#include "tests/trace/trace_files.h"

namespace dawnrig::trace {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
constexpr auto kV = static_cast<std::size_t>(Signal::kTerminalV);

class Recording : public InAFolder {
 protected:
  // A run of `seconds` with an event of each kind.
  std::string record(const std::filesystem::path& file, double seconds, double battery_v = 25.6,
                     const std::string& invalid_because = "") {
    Recorder recorder{file, some_identity(), {}};
    MadeUpRun run{battery_v};
    for (std::size_t i = 0; i < kEvents.size(); ++i) {
      run.play(recorder, ms(seconds * 1000 * static_cast<double>(i + 1) / 8));
      recorder.on_event({run.now(), kEvents[i], "event " + std::to_string(i)});
    }
    run.play(recorder, ms(seconds * 1000));
    return recorder.finish(ms(seconds * 1000 + 5), invalid_because);
  }

  static constexpr std::array kEvents{EventKind::kStimulus, EventKind::kReset,      EventKind::kSerialOut,
                                      EventKind::kSerialIn, EventKind::kLoadSwitch, EventKind::kDeviceFault,
                                      EventKind::kMark};
};

TEST_F(Recording, OfARunComesBackAsItWasPlayed) {
  const std::string hash = record(folder_ / "run.trace", 4.0, 25.6, "the link was lost");
  const Trace trace = read_trace(folder_ / "run.trace");
  EXPECT_TRUE(trace.complete);
  EXPECT_EQ(trace.end, ms(4005));
  EXPECT_EQ(trace.content_sha256, hash);
  EXPECT_EQ(hash.size(), 64U);
  EXPECT_EQ(trace.invalid_because, "the link was lost");
  ASSERT_EQ(trace.signals.size(), kSignalCount);
  for (std::size_t s = 0; s < kSignalCount; ++s) EXPECT_EQ(trace.signals[s], name_of(static_cast<Signal>(s)));
  EXPECT_EQ(trace.intervals.interval, ms(100));
  ASSERT_EQ(trace.intervals.start.size(), 41U) << "forty whole ones and the 5 ms at the end";
  for (std::size_t i = 0; i < 41; ++i) ASSERT_EQ(trace.intervals.start[i], ms(100) * static_cast<std::int64_t>(i));
  for (std::size_t s = 0; s < kSignalCount; ++s) {
    for (std::size_t i = 0; i < 41; ++i) {
      ASSERT_LE(trace.intervals.min[s][i], trace.intervals.mean[s][i]) << trace.signals[s] << ", interval " << i;
      ASSERT_LE(trace.intervals.mean[s][i], trace.intervals.max[s][i]) << trace.signals[s] << ", interval " << i;
    }
  }
  EXPECT_NEAR(trace.intervals.mean[static_cast<std::size_t>(Signal::kGate)][7], 0.75 / 2.04, 0.01);
}

TEST_F(Recording, KeepsTheIdentityOfEverythingThatProducedTheRun) {
  record(folder_ / "run.trace", 0.1);
  const Identity back = read_trace(folder_ / "run.trace").identity;
  const Identity put = some_identity();
  EXPECT_EQ(back.tool_version, put.tool_version);
  EXPECT_EQ(back.image_file, put.image_file);
  EXPECT_EQ(back.image_sha256, put.image_sha256);
  EXPECT_EQ(back.board_file, put.board_file);
  EXPECT_EQ(back.board_sha256, put.board_sha256);
  EXPECT_EQ(back.site_file, put.site_file);
  EXPECT_EQ(back.site_sha256, put.site_sha256);
  EXPECT_EQ(back.scenario_name, put.scenario_name);
  EXPECT_EQ(back.scenario_sha256, put.scenario_sha256);
  EXPECT_EQ(back.seed, put.seed);
  EXPECT_EQ(back.board_name, put.board_name);
  EXPECT_EQ(back.board_revision, put.board_revision);
  EXPECT_EQ(back.site_name, put.site_name);
  EXPECT_EQ(back.rig, put.rig);
}

TEST_F(Recording, TakesAFileNameOfAnyBytes) {
  Identity identity = some_identity();
  identity.image_file = "h\xC3\xBCtte\xFF\xE0\x80\x80\xED\xA0\x80\xE2\x98\x80.elf";
  static_cast<void>(Recorder(folder_ / "run.trace", identity, {}).finish(ms(1), "\xC3"));
  const Trace trace = read_trace(folder_ / "run.trace");
  EXPECT_EQ(trace.identity.image_file, "h\xC3\xBCtte???????\xE2\x98\x80.elf");
  EXPECT_EQ(trace.invalid_because, "?");
}

TEST_F(Recording, KeepsEventsInOrderWithEveryByteTheDevicePrinted) {
  record(folder_ / "run.trace", 4.0);
  const Trace trace = read_trace(folder_ / "run.trace");
  ASSERT_EQ(trace.events.size(), kEvents.size());
  for (std::size_t i = 0; i < kEvents.size(); ++i) {
    EXPECT_EQ(trace.events[i].kind, kEvents[i]) << i;
    EXPECT_EQ(trace.events[i].text, "event " + std::to_string(i));
    EXPECT_NEAR(in_seconds(trace.events[i].time), 0.5 * static_cast<double>(i + 1), 0.003);
  }
  const std::string raw{"\xFF\x00\x80 14.4V\r\n", 10};
  {
    Recorder recorder{folder_ / "raw.trace", {}, {}};
    recorder.on_event({ms(1), EventKind::kSerialOut, raw});
    recorder.finish(ms(2), "");
  }
  EXPECT_EQ(read_trace(folder_ / "raw.trace").events.at(0).text, raw);
}

TEST_F(Recording, HasFullResolutionAroundStimuliResetsLoadSwitchingsAndFaultsOnly) {
  record(folder_ / "run.trace", 4.0);
  const Trace trace = read_trace(folder_ / "run.trace");
  ASSERT_EQ(trace.windows.size(), 4U);
  constexpr std::array<std::size_t, 4> kOf{0, 1, 4, 5};
  for (std::size_t w = 0; w < 4; ++w) {
    const Window& window = trace.windows[w];
    EXPECT_EQ(window.time.front(), trace.events[kOf[w]].time - ms(20)) << w;
    EXPECT_EQ(window.time.back(), trace.events[kOf[w]].time + ms(20)) << w;
    ASSERT_GT(window.time.size(), 70U) << "two samples at each of 39 edges";
    for (std::size_t i = 1; i < window.time.size(); ++i) ASSERT_LE(window.time[i - 1], window.time[i]);
    ASSERT_EQ(window.value.size(), kSignalCount);
    for (const auto& column : window.value) ASSERT_EQ(column.size(), window.time.size());
    EXPECT_GT(window.value[kV][3], 25.0F);
  }
}

TEST_F(Recording, HasNoWindowsWhenNoneAreWanted) {
  Recorder recorder{folder_ / "run.trace", {}, {.windows = false}};
  MadeUpRun run;
  run.play(recorder, ms(500));
  recorder.on_event({run.now(), EventKind::kReset, "watchdog"});
  run.play(recorder, ms(1000));
  recorder.finish(run.now(), "");
  const Trace trace = read_trace(folder_ / "run.trace");
  EXPECT_TRUE(trace.windows.empty());
  EXPECT_EQ(trace.events.size(), 1U);
}

TEST_F(Recording, HasTheSameHashForTheSameSamplesWithOrWithoutAFile) {
  const std::string hash = record(folder_ / "a.trace", 2.5);
  EXPECT_EQ(record(folder_ / "b.trace", 2.5), hash);
  EXPECT_EQ(record({}, 2.5), hash);
  EXPECT_EQ(contents_of(folder_ / "a.trace"), contents_of(folder_ / "b.trace"));
}

TEST_F(Recording, HasAnotherHashIfOneSampleDiffers) {
  const auto hash_with = [](int odd_one, double odd_v) {
    Recorder recorder{{}, {}, {}};
    for (int i = 0; i < 3000; ++i) {
      Sample sample;
      sample.time = ms(i);
      sample[Signal::kTerminalV] = i == odd_one ? odd_v : 25.0;
      recorder.on_sample(sample);
    }
    return recorder.finish(ms(3000), "");
  };
  const std::string usual = hash_with(-1, 0);
  EXPECT_EQ(hash_with(-1, 0), usual);
  for (const int odd_one : {0, 1, 99, 100, 101, 1000, 1500, 2998, 2999}) {
    EXPECT_NE(hash_with(odd_one, 25.001), usual) << "sample " << odd_one;
  }
}

TEST_F(Recording, HasAnotherHashIfAnEventOrItsTimeOrKindDiffers) {
  const auto hash_with = [](const Event& event) {
    Recorder recorder{{}, {}, {}};
    recorder.on_event(event);
    return recorder.finish(ms(1), "");
  };
  const std::string usual = hash_with({ms(1), EventKind::kMark, "dusk"});
  EXPECT_NE(hash_with({ms(1), EventKind::kMark, "dawn"}), usual);
  EXPECT_NE(hash_with({ms(2), EventKind::kMark, "dusk"}), usual);
  EXPECT_NE(hash_with({ms(1), EventKind::kReset, "dusk"}), usual);
}

TEST_F(Recording, DoesNotLetTheVerdictOfTheRigChangeTheContentHash) {
  EXPECT_EQ(record({}, 1.0, 25.6, "late"), record({}, 1.0, 25.6, ""));
}

TEST_F(Recording, HoldsTheLastSampleUntilTheRunsEnd) {
  Recorder recorder{folder_ / "run.trace", {}, {}};
  Sample sample;
  sample[Signal::kTerminalV] = 12.5;
  recorder.on_sample(sample);
  recorder.finish(ms(10'000), "");
  const Trace trace = read_trace(folder_ / "run.trace");
  ASSERT_EQ(trace.intervals.start.size(), 100U);
  EXPECT_EQ(trace.intervals.mean[kV][99], 12.5F);
}

TEST_F(Recording, OfARunWithoutASingleSampleIsATraceAllTheSame) {
  static_cast<void>(Recorder(folder_ / "run.trace", {}, {}).finish(Nanos{0}, "the device never started"));
  const Trace trace = read_trace(folder_ / "run.trace");
  EXPECT_TRUE(trace.complete);
  EXPECT_TRUE(trace.intervals.start.empty());
  EXPECT_EQ(trace.invalid_because, "the device never started");
}

TEST_F(Recording, EndsOnceHoweverOftenItIsTold) {
  Recorder recorder{folder_ / "run.trace", {}, {}};
  MadeUpRun{}.play(recorder, ms(300));
  const std::string hash = recorder.finish(ms(300), "");
  const std::string bytes = contents_of(folder_ / "run.trace");
  EXPECT_EQ(recorder.finish(ms(900), "again"), hash);
  EXPECT_EQ(contents_of(folder_ / "run.trace"), bytes);
}

TEST_F(Recording, ThatIsAbandonedKeepsEverythingButAnEnd) {
  {
    Recorder recorder{folder_ / "run.trace", {}, {}};
    MadeUpRun{}.play(recorder, ms(1750));
  }
  const Trace trace = read_trace(folder_ / "run.trace");
  EXPECT_FALSE(trace.complete);
  EXPECT_EQ(trace.intervals.start.back(), ms(1700));
}

TEST_F(Recording, OfIntervalsOfAnyLengthCoversTheRun) {
  for (const double interval_ms : {0.1, 7.0, 300.0, 1000.0, 2500.0}) {
    Recorder recorder{folder_ / "run.trace", {}, {.interval = ms(interval_ms)}};
    MadeUpRun{}.play(recorder, ms(5000));
    recorder.finish(ms(5000), "");
    const Trace trace = read_trace(folder_ / "run.trace");
    EXPECT_TRUE(trace.complete);
    ASSERT_FALSE(trace.intervals.start.empty());
    EXPECT_GE(trace.intervals.start.back() + trace.intervals.interval, ms(5000)) << interval_ms << " ms";
    EXPECT_EQ(trace.intervals.start.size(),
              static_cast<std::size_t>(trace.intervals.start.back() / ms(interval_ms)) + 1);
  }
}

TEST_F(Recording, ReplacesWhatWasThere) {
  record(folder_ / "a.trace", 2.5);
  record(folder_ / "b.trace", 5.0);
  record(folder_ / "b.trace", 2.5);
  EXPECT_EQ(contents_of(folder_ / "a.trace"), contents_of(folder_ / "b.trace"));
}

TEST_F(Recording, OfADayWithoutChangeAndOfAStormOfEventsStaysInBlocksThatCanBeRead) {
  Recorder recorder{folder_ / "run.trace", {}, {}};
  Sample sample;
  recorder.on_sample(sample);
  for (int i = 0; i < 1500; ++i) recorder.on_event({ms(1), EventKind::kSerialOut, std::string(20'000, 'x')});
  sample.time = ms(3 * 3.6e6);
  recorder.on_sample(sample);
  recorder.finish(sample.time, "");
  const Trace trace = read_trace(folder_ / "run.trace");
  EXPECT_TRUE(trace.complete);
  EXPECT_EQ(trace.events.size(), 1500U);
  EXPECT_EQ(trace.intervals.start.size(), 108'000U);
}

TEST_F(Recording, RefusesASampleFromThePast) {
  Recorder recorder{{}, {}, {}};
  Sample sample;
  sample.time = ms(10);
  recorder.on_sample(sample);
  sample.time = ms(9);
  EXPECT_THAT(complaint_of<base::RunFault>([&] { recorder.on_sample(sample); }),
              AllOf(HasSubstr("9000000 ns"), HasSubstr("10000000 ns")));
}

TEST_F(Recording, RefusesIntervalsAndWindowsThatMakeNoSense) {
  for (const RecorderOptions& options :
       {RecorderOptions{.interval = Nanos{0}}, RecorderOptions{.interval = ms(-1)},
        RecorderOptions{.interval = ms(1e7)}, RecorderOptions{.event_window = ms(-1)}}) {
    EXPECT_THAT(complaint_of<base::BadInput>([&] { Recorder({}, {}, options); }), HasSubstr("must be from"));
  }
}

TEST_F(Recording, RefusesAPlaceWhereNoFileCanBe) {
  for (const auto& file : {folder_, folder_ / "no" / "such.trace"}) {
    EXPECT_THAT(complaint_of<base::BadInput>([&] { Recorder(file, {}, {}); }),
                AllOf(HasSubstr(file.string()), HasSubstr("cannot be created")));
  }
}

}  // namespace
}  // namespace dawnrig::trace
