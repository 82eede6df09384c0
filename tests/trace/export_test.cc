// Traces as others read them: comma-separated values and value change dumps.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>
#include <limits>
#include <set>
#include <string>
#include <vector>

#include "harness/trace/recorder.h"
#include "tests/trace/trace_files.h"
#include "tests/trace/vcd_reader.h"

namespace dawnrig::trace {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

std::vector<std::vector<std::string>> cells_of(const std::string& text) {
  std::vector<std::vector<std::string>> rows;
  std::istringstream in{text};
  for (std::string line; std::getline(in, line);) {
    rows.emplace_back();
    std::istringstream cells{line};
    for (std::string cell; std::getline(cells, cell, ',');) rows.back().push_back(cell);
  }
  return rows;
}

class Export : public InAFolder {
 protected:
  Trace run(double seconds = 2.0) {
    Recorder recorder{folder_ / "run.trace", some_identity(), {}};
    MadeUpRun run;
    run.play(recorder, ms(seconds * 500));
    recorder.on_event({run.now(), EventKind::kStimulus, "dusk"});
    run.play(recorder, ms(seconds * 1000));
    recorder.finish(run.now(), "");
    return read_trace(folder_ / "run.trace");
  }

  // Two intervals of 100 ms and one window of two edges, by hand.
  static Trace by_hand() {
    Trace trace;
    trace.identity = some_identity();
    trace.signals = {"terminal_v", "gate"};
    trace.intervals = {
        ms(100), {ms(0), ms(100)}, {{25, 25.5F}, {1, 0}}, {{25.125F, 25.75F}, {1, 0.5F}}, {{26, 26}, {1, 1}}};
    trace.windows = {{{ms(120), ms(130), ms(130), ms(150)}, {{25, 25.25F, 24, 24.5F}, {0, 0, 1, 0}}}};
    trace.complete = true;
    trace.end = ms(200);
    return trace;
  }

  std::string csv(const Trace& trace, bool windows) {
    export_csv(trace, folder_ / "out.csv", windows);
    return contents_of(folder_ / "out.csv");
  }

  std::string vcd(const Trace& trace) {
    export_vcd(trace, folder_ / "out.vcd");
    return contents_of(folder_ / "out.vcd");
  }

  std::string file_names() {
    std::set<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator{folder_})
      names.insert(entry.path().filename().string());
    std::string all;
    for (const std::string& name : names) all += name + " ";
    return all;
  }
};

TEST_F(Export, AsCsvHasOneRowPerIntervalWithUnitsInTheNames) {
  EXPECT_EQ(csv(by_hand(), false),
            "time_s,terminal_v_min,terminal_v_mean,terminal_v_max,gate_min,gate_mean,gate_max\n"
            "0,25,25.125,26,1,1,1\n"
            "0.1,25.5,25.75,26,0,0.5,1\n");
}

TEST_F(Export, AsCsvOfWindowsHasOneRowPerSampleAndBothOfAJump) {
  EXPECT_EQ(csv(by_hand(), true),
            "time_s,window,terminal_v,gate\n"
            "0.12,1,25,0\n"
            "0.13,1,25.25,0\n"
            "0.13,1,24,1\n"
            "0.15,1,24.5,0\n");
}

TEST_F(Export, AsCsvReadsBackToTheSameNumbers) {
  const Trace trace = run();
  const auto rows = cells_of(csv(trace, false));
  ASSERT_EQ(rows.size(), trace.intervals.start.size() + 1);
  ASSERT_EQ(rows[0].size(), 1 + 3 * kSignalCount);
  for (std::size_t row = 0; row < trace.intervals.start.size(); ++row) {
    ASSERT_EQ(from_seconds(std::stod(rows[row + 1][0])), trace.intervals.start[row]);
    for (std::size_t s = 0; s < kSignalCount; ++s) {
      ASSERT_EQ(std::strtof(rows[row + 1][1 + 3 * s].c_str(), nullptr), trace.intervals.min[s][row])
          << trace.signals[s];
      ASSERT_EQ(std::strtof(rows[row + 1][2 + 3 * s].c_str(), nullptr), trace.intervals.mean[s][row])
          << trace.signals[s];
      ASSERT_EQ(std::strtof(rows[row + 1][3 + 3 * s].c_str(), nullptr), trace.intervals.max[s][row])
          << trace.signals[s];
    }
  }
  EXPECT_EQ(cells_of(csv(trace, true)).size(), trace.windows.at(0).time.size() + 1);
}

TEST_F(Export, AsCsvTellsNanosecondsApart) {
  Trace trace = by_hand();
  trace.windows[0].time = {Nanos{86'400'000'000'001}, Nanos{86'400'000'000'020}, Nanos{86'400'100'000'000},
                           Nanos{86'401'000'000'000}};
  const auto rows = cells_of(csv(trace, true));
  EXPECT_EQ(rows[1][0], "86400.000000001");
  EXPECT_EQ(rows[2][0], "86400.00000002");
  EXPECT_EQ(rows[3][0], "86400.1");
  EXPECT_EQ(rows[4][0], "86401");
}

TEST_F(Export, AsVcdShowsMeansOutsideWindowsAndEverySampleInside) {
  const Vcd dump = VcdReader{vcd(by_hand())}.read();
  EXPECT_EQ(dump.sections.at("$timescale"), "1 ns");
  const auto& v = dump.by_name.at("terminal_v");
  EXPECT_EQ(v.type, "real");
  EXPECT_EQ(v.size, 64);
  EXPECT_EQ(v.at(0), "25.125");
  EXPECT_EQ(v.at(100'000'000), "25.75");
  EXPECT_EQ(v.at(120'000'000), "25");
  EXPECT_EQ(v.at(130'000'000), "24") << "where the jump leads to";
  EXPECT_EQ(v.at(150'000'000), "24.5");
  const auto& gate = dump.by_name.at("gate");
  EXPECT_EQ(gate.type, "wire");
  EXPECT_EQ(gate.size, 1);
  EXPECT_EQ(gate.at(0), "1");
  EXPECT_EQ(gate.at(100'000'000), "x") << "it moved within the interval";
  EXPECT_EQ(gate.at(120'000'000), "0");
  EXPECT_EQ(gate.at(130'000'000), "1");
  EXPECT_EQ(gate.at(150'000'000), "0");
  EXPECT_EQ(dump.end, 200'000'000) << "the run's end";
}

TEST_F(Export, AsVcdHasEverySignalOfARunWithItsWindow) {
  const Trace trace = run();
  const Vcd dump = VcdReader{vcd(trace)}.read();
  ASSERT_EQ(dump.by_name.size(), kSignalCount);
  for (std::size_t s = 0; s < kSignalCount; ++s) {
    const Signal signal = static_cast<Signal>(s);
    ASSERT_EQ(dump.by_name.count(std::string{name_of(signal)}), 1U) << name_of(signal);
    EXPECT_EQ(dump.by_name.at(std::string{name_of(signal)}).type, is_switch(signal) ? "wire" : "real");
  }
  int edges = 0;
  for (const VcdChange& change : dump.by_name.at("gate").changes) edges += change.value == "x" ? 0 : 1;
  EXPECT_NEAR(edges, 40, 2) << "40 ms of 490 Hz are 39 edges";
  EXPECT_EQ(dump.end, trace.end.count());
}

TEST_F(Export, AsVcdWritesAValueOnlyWhenItChanges) {
  Trace trace = by_hand();
  trace.intervals.mean[0] = {25, 25};
  trace.windows.clear();
  const Vcd dump = VcdReader{vcd(trace)}.read();
  EXPECT_EQ(dump.by_name.at("terminal_v").changes.size(), 1U);
  EXPECT_EQ(dump.by_name.at("gate").changes.size(), 2U);
}

TEST_F(Export, AsVcdOfARunWithoutIntervalsOrSignalsIsStillADump) {
  Trace trace = by_hand();
  trace.intervals.start.clear();
  trace.windows.clear();
  EXPECT_THAT(vcd(trace), AllOf(HasSubstr("$enddefinitions $end\n#200000000\n"), Not(HasSubstr("$dumpvars"))));
}

TEST_F(Export, AsVcdIsNotBrokenByWhatPeopleWriteIntoNames) {
  Trace trace = by_hand();
  trace.identity.scenario_name = "a storm $end #5 $var\n\twire";
  const Vcd dump = VcdReader{vcd(trace)}.read();
  EXPECT_EQ(dump.by_name.size(), 2U);
  EXPECT_EQ(dump.by_name.at("terminal_v").at(0), "25.125");
}

TEST_F(Export, HasTheSameBytesForTheSameTrace) {
  const Trace trace = run();
  EXPECT_EQ(vcd(trace), vcd(trace));
  EXPECT_EQ(csv(trace, true), csv(trace, true));
  EXPECT_THAT(vcd(trace), Not(HasSubstr("$date")));
}

TEST_F(Export, OfACutOffTraceHasWhatThereIs) {
  run(3.0);
  const std::string bytes = contents_of(folder_ / "run.trace");
  const Trace part = read_trace(write("cut.trace", bytes.substr(0, bytes.size() * 2 / 3)));
  ASSERT_FALSE(part.complete);
  ASSERT_FALSE(part.intervals.start.empty());
  EXPECT_EQ(VcdReader{vcd(part)}.read().end, part.end.count());
  EXPECT_EQ(cells_of(csv(part, false)).size(), part.intervals.start.size() + 1);
}

TEST_F(Export, LeavesNothingHalfDoneBehind) {
  const Trace trace = run();
  csv(trace, false);
  vcd(trace);
  EXPECT_EQ(file_names(), "out.csv out.vcd run.trace ");
  const auto nowhere = folder_ / "no" / "such" / "out.csv";
  EXPECT_THAT(complaint_of<base::BadInput>([&] { export_csv(trace, nowhere, false); }), HasSubstr(nowhere.string()));
  EXPECT_THAT(complaint_of<base::BadInput>([&] { export_vcd(trace, nowhere); }), HasSubstr(nowhere.string()));
  EXPECT_THAT(complaint_of<base::BadInput>([&] { export_vcd(trace, folder_); }), HasSubstr(folder_.string()));
  EXPECT_EQ(file_names(), "out.csv out.vcd run.trace ");
}

}  // namespace
}  // namespace dawnrig::trace
