// The loop's timing by a clock that a test moves: absolute deadlines, lateness counted, limits kept.
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <string>
#include <thread>
#include <vector>

#include "harness/rig/flight_recorder.h"
#include "harness/rig/realtime_clock.h"
#include "harness/rig/realtime_loop.h"
#include "harness/rig/realtime_setup.h"
#include "tests/allocations.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;

/// Wakes exactly, unless a test makes it oversleep.
class ManualClock final : public link::Clock {
 public:
  [[nodiscard]] Nanos now() const override { return now_; }
  void sleep_until(Nanos time) override { now_ = std::max(now_, time) + oversleep; }
  void pass(Nanos duration) { now_ += duration; }
  Nanos oversleep{0};

 private:
  Nanos now_{0};
};

TEST(RealtimeLoop, KeepsAbsoluteTimesHoweverLongEachTickTakes) {
  ManualClock clock;
  TickPlan plan{5ms, 1ms};
  Lateness lateness;
  std::vector<Nanos> due;
  run_ticks(clock, plan, lateness, [&](Nanos at) noexcept {
    due.push_back(at);
    clock.oversleep = Nanos{static_cast<int>(due.size()) * 7us};
    clock.pass(300us);
    return due.size() < 50;
  });
  for (std::size_t i = 0; i < due.size(); ++i) {
    ASSERT_EQ(due[i], 5ms + static_cast<int>(i) * 1ms) << "late wake-ups must not add up";
  }
  EXPECT_EQ(plan.skipped(), 0);
  EXPECT_EQ(lateness.ticks(), 50);
  EXPECT_EQ(lateness.worst(), Nanos{49 * 7us});
}

TEST(RealtimeLoop, SkipsTicksWhoseTimeIsPastAndCountsEachOfThemLate) {
  ManualClock clock;
  TickPlan plan{0ms, 1ms};
  Lateness lateness;
  std::vector<Nanos> due;
  run_ticks(clock, plan, lateness, [&](Nanos at) noexcept {
    due.push_back(at);
    if (due.size() == 3) clock.pass(50ms);  // stopped while at work
    return due.size() < 5;
  });
  EXPECT_EQ(due, (std::vector<Nanos>{0ms, 1ms, 2ms, 52ms, 53ms}));
  EXPECT_EQ(plan.skipped(), 49);
  EXPECT_EQ(lateness.ticks(), 54);
  EXPECT_EQ(lateness.worst(), Nanos{49ms});
  EXPECT_EQ(lateness.beyond(2ms), 47) << "ticks due at 3 to 49 ms, met at 52 ms";
}

TEST(Lateness, BreaksItsBoundByOneBadTickOrByManySmallOnes) {
  const LatenessBound bound;
  Lateness good;
  for (int i = 0; i < 10'000; ++i) good.add(i % 2000 == 0 ? Nanos{3ms} : Nanos{40us});
  EXPECT_EQ(good.broken(bound), "");

  Lateness once = good;
  once.add(5001us);
  EXPECT_NE(once.broken(bound).find("5 ms are the most"), std::string::npos) << once.broken(bound);

  Lateness often;
  for (int i = 0; i < 10'000; ++i) often.add(i % 500 == 0 ? Nanos{3ms} : Nanos{40us});
  EXPECT_NE(often.broken(bound).find("20 of 10000"), std::string::npos) << often.broken(bound);

  LatenessBound loose = bound;
  loose.seldom_frac = 0.01;
  EXPECT_EQ(often.broken(loose), "");
}

TEST(Lateness, TellsItsHistogram) {
  Lateness lateness;
  for (int i = 0; i < 990; ++i) lateness.add(15us);
  for (int i = 0; i < 10; ++i) lateness.add(1500us);
  const std::string text = lateness.text();
  for (const char* part : {"1000 ticks", "p50 20 us", "p99 20 us", "worst 1500 us", "<=20us 990", "<=2000us 10"}) {
    EXPECT_NE(text.find(part), std::string::npos) << part << " in: " << text;
  }
}

TEST(FlightRecorder, KeepsTheLastTicksAndWritesThemOldestFirstWithoutAllocatingBefore) {
  FlightRecorder recorder{100};
  const std::int64_t before = allocations_so_far();
  for (int i = 0; i < 250; ++i) {
    FlightTick tick;
    tick.due = i * 1ms;
    tick.bus_v = 28.8;
    recorder.add(tick);
  }
  EXPECT_EQ(allocations_so_far(), before);
  const std::filesystem::path file =
      std::filesystem::temp_directory_path() / ("dawnrig-flight-" + std::to_string(::getpid()) + ".csv");
  recorder.write_csv(file);
  std::ifstream in{file};
  std::vector<std::string> lines;
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  std::filesystem::remove(file);
  ASSERT_EQ(lines.size(), 101U);
  EXPECT_EQ(lines[0].substr(0, 15), "due_s,late_s,wo");
  EXPECT_EQ(lines[1].substr(0, 5), "0.15,");
  EXPECT_EQ(lines[100].substr(0, 6), "0.249,");
  EXPECT_EQ(std::count(lines[0].begin(), lines[0].end(), ','), std::count(lines[50].begin(), lines[50].end(), ','));
}

TEST(WallClock, NeverWakesBeforeItsTime) {
  WallClock clock;
  for (int i = 0; i < 20; ++i) {
    const Nanos until = clock.now() + 500us;
    clock.sleep_until(until);
    ASSERT_GE(clock.now(), until);
  }
  const Nanos past = clock.now() - 1s;
  clock.sleep_until(past);
}

TEST(RealtimeSetup, SaysWhatIsNotPermittedOnceEach) {
  std::vector<std::string> lacking;
  std::thread{[&lacking] { lacking = ask_for_realtime(); }}.join();
  for (const std::string& one : lacking) std::printf("%s\n", one.c_str());
  std::sort(lacking.begin(), lacking.end());
  EXPECT_TRUE(std::adjacent_find(lacking.begin(), lacking.end()) == lacking.end());
  EXPECT_LE(lacking.size(), 3U);
}

}  // namespace
}  // namespace dawnrig::rig
