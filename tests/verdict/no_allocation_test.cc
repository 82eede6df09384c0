#include <gtest/gtest.h>

#include <memory>
#include <vector>

#include "tests/allocations.h"
#include "tests/trace/stretch_of.h"
#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

std::vector<std::unique_ptr<trace::Sink>> all_monitors(const Watching& averaged, double level_v) {
  std::vector<std::unique_ptr<trace::Sink>> sinks;
  sinks.push_back(std::make_unique<Mean>(averaged));
  sinks.push_back(std::make_unique<Highest>(averaged));
  sinks.push_back(std::make_unique<Lowest>(averaged));
  sinks.push_back(std::make_unique<WorstWithin>(averaged));
  sinks.push_back(std::make_unique<PeakToPeak>(averaged));
  sinks.push_back(std::make_unique<TimeAbove>(averaged, level_v));
  sinks.push_back(std::make_unique<SettlingTime>(averaged, level_v - 0.4, level_v + 0.1));
  sinks.push_back(std::make_unique<FirstCrossing>(averaged, Side::kAbove, level_v));
  sinks.push_back(std::make_unique<DominantPeriod>(averaged));
  sinks.push_back(std::make_unique<LastOn>(Signal::kGate));
  sinks.push_back(std::make_unique<OnTime>(Signal::kGate));
  sinks.push_back(std::make_unique<Toggles>(Signal::kGate));
  sinks.push_back(std::make_unique<ValueAtSwitching>(averaged, Signal::kGate, Edge::kOff));
  sinks.push_back(std::make_unique<EvidenceCollector>(std::vector{Signal::kTerminalV, Signal::kGate}, 64));
  sinks.push_back(std::make_unique<BatteryClock>(BatteryLimits{level_v, 50, 0.5}));
  return sinks;
}

TEST(Monitors, DoNotAllocateWhileSamplesComeIn) {
  const Watching averaged{.average_over = 50ms, .limit = Limit{.lowest = 28.9, .highest = 28.95, .unit = "V"}};
  const std::vector<std::unique_ptr<trace::Sink>> sinks = all_monitors(averaged, 28.9);
  const std::int64_t before = allocations_so_far();
  for (int i = 0; i < 5000; ++i) {
    trace::Sample sample = sample_at(0.01 * i, Signal::kTerminalV, 28.8 + 0.2 * (i % 7) / 7.0);
    sample[Signal::kGate] = i % 3 == 0 ? 1 : 0;
    for (const auto& sink : sinks) sink->on_sample(sample);
  }
  EXPECT_EQ(allocations_so_far(), before);
}

TEST(Monitors, DoNotAllocateWhileStretchesComeIn) {
  const Watching averaged{.average_over = 5ms, .limit = Limit{.lowest = 9.9, .highest = 10.1, .unit = "V"}};
  const std::vector<std::unique_ptr<trace::Sink>> sinks = all_monitors(averaged, 10.1);
  trace::RandomWalk walk{4};
  std::int64_t taken = 0;
  for (int i = 0; i < 5000; ++i) {
    const trace::RandomWalk::Leg leg = walk.next(20us);
    const trace::StretchOf stretch{leg.before, leg.steps};
    const std::int64_t before = allocations_so_far();
    for (const auto& sink : sinks) {
      for (const trace::Sample& sample : leg.jump) sink->on_sample(sample);
      sink->on_stretch(stretch);
    }
    taken += allocations_so_far() - before;
  }
  EXPECT_EQ(taken, 0);
}

}  // namespace
}  // namespace dawnrig::verdict
