#include <gtest/gtest.h>

#include <memory>
#include <vector>

#include "tests/verdict/allocations.h"
#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

TEST(Monitors, DoNotAllocateWhileSamplesComeIn) {
  const Watching averaged{.average_over = 50ms, .limit = Limit{.lowest = 28.9, .highest = 28.95, .unit = "V"}};
  std::vector<std::unique_ptr<trace::Sink>> sinks;
  sinks.push_back(std::make_unique<Mean>(averaged));
  sinks.push_back(std::make_unique<Highest>(averaged));
  sinks.push_back(std::make_unique<Lowest>(averaged));
  sinks.push_back(std::make_unique<WorstWithin>(averaged));
  sinks.push_back(std::make_unique<PeakToPeak>(averaged));
  sinks.push_back(std::make_unique<TimeAbove>(averaged, 28.9));
  sinks.push_back(std::make_unique<SettlingTime>(averaged, 28.5, 29.0));
  sinks.push_back(std::make_unique<FirstCrossing>(averaged, Side::kAbove, 28.9));
  sinks.push_back(std::make_unique<DominantPeriod>(averaged));
  sinks.push_back(std::make_unique<LastOn>(Signal::kGate));
  sinks.push_back(std::make_unique<OnTime>(Signal::kGate));
  sinks.push_back(std::make_unique<Toggles>(Signal::kGate));
  sinks.push_back(std::make_unique<ValueAtSwitching>(averaged, Signal::kGate, Edge::kOff));
  sinks.push_back(std::make_unique<EvidenceCollector>(std::vector{Signal::kTerminalV, Signal::kGate}, 64));
  sinks.push_back(std::make_unique<BatteryClock>(BatteryLimits{28.9, 50, 0.5}));
  const std::size_t before = allocations();
  for (int i = 0; i < 5000; ++i) {
    trace::Sample sample = sample_at(0.01 * i, Signal::kTerminalV, 28.8 + 0.2 * (i % 7) / 7.0);
    sample[Signal::kGate] = i % 3 == 0 ? 1 : 0;
    for (const auto& sink : sinks) sink->on_sample(sample);
  }
  EXPECT_EQ(allocations(), before);
}

}  // namespace
}  // namespace dawnrig::verdict
