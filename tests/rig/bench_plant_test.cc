// The bench's plant: known behind, decided ahead, expected between. Held against a plant that is told everything at
// once.
#include "harness/rig/bench_plant.h"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <string>
#include <vector>

#include "tests/allocations.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

class Told final : public BenchListener {
 public:
  Told() { samples.reserve(100'000); }
  void on_sample(const trace::Sample& sample) override {
    if (samples.size() < samples.capacity()) samples.push_back(sample);
  }
  void on_note(Nanos time, const BenchNote& note) override { notes.emplace_back(time, *note.text); }
  void on_attach(Nanos time, trace::Sink& /*sink*/) override { attached = time; }
  std::vector<trace::Sample> samples;
  std::vector<std::pair<Nanos, std::string>> notes;
  Nanos attached{-1};
};

class Nobody final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& /*sample*/) override {}
};

class BenchPlantTest : public ::testing::Test {
 protected:
  BenchPlantTest() {
    const std::filesystem::path profiles = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles";
    board_ = profile::load_board(profiles / "ridge_repeater_a.textproto");
    site_ = profile::load_site(profiles / "ridge_repeater_site.textproto");
    for (profile::SiteLoad& load : site_.loads) load.on_at_start = false;
    initial_.soc_frac = 0.9;
    initial_.poa_wpm2 = 900.0;
    plant_ = std::make_unique<BenchPlant>(board_, site_, initial_, 1, Injection::kBeforeFilter, told_);
  }
  profile::BoardProfile board_;
  profile::SiteProfile site_;
  scenario::Initial initial_;
  Told told_;
  std::unique_ptr<BenchPlant> plant_;
};

TEST_F(BenchPlantTest, BeginsWithTheSwitchWhereTheBoardsResistorPutsIt) {
  EXPECT_FALSE(plant_->conditions().gate_on);
  board_.gate.pull = profile::Pull::kUp;
  const BenchPlant pulled_up{board_, site_, initial_, 1, Injection::kBeforeFilter, told_};
  EXPECT_TRUE(pulled_up.conditions().gate_on);
}

TEST_F(BenchPlantTest, MakesAChangeWhereItWasDecidedAndNotWhereThePlantWas) {
  const std::string text{"sun to 100 W/m2"};
  const scenario::Change change = scenario::Sun{100.0, 0ms};
  Nobody sink;
  ASSERT_TRUE(plant_->decide_until(7ms));
  ASSERT_TRUE(plant_->attach(sink));
  ASSERT_TRUE(plant_->change(change, {trace::EventKind::kStimulus, &text}));
  ASSERT_TRUE(plant_->decide_until(9ms));
  ASSERT_EQ(plant_->advance(5ms, {}), plant::AdvanceStatus::kOk);
  EXPECT_TRUE(told_.notes.empty());
  EXPECT_NEAR(told_.samples.back()[Signal::kPoaWpm2], 900.0, 1e-9);
  ASSERT_EQ(plant_->advance(8ms, {}), plant::AdvanceStatus::kOk);
  ASSERT_EQ(told_.notes.size(), 1U);
  EXPECT_EQ(told_.notes[0].first, Nanos{7ms});
  EXPECT_EQ(told_.attached, Nanos{7ms}) << "a sink attached before the change sees it";
  for (const trace::Sample& sample : told_.samples) {
    if (sample.time == 7ms) continue;  // both sides of the step
    EXPECT_EQ(sample[Signal::kPoaWpm2], sample.time < 7ms ? 900.0 : 100.0) << sample.time.count() << " ns";
  }
}

TEST_F(BenchPlantTest, ShowsLoadSwitchAndFaultOutputAsTheProfileWiresThem) {
  ASSERT_TRUE(board_.load_output && board_.fault_output);
  const auto shown = [&](std::uint32_t pins) {
    plant_->follow_pins(pins);
    plant_->publish();
    const trace::Sample& sample = told_.samples.back();
    return std::pair{sample[Signal::kLoadSwitch] > 0.5, sample[Signal::kFault] > 0.5};
  };
  EXPECT_EQ(shown(link::pin::kFault), (std::pair{false, true}));
  EXPECT_EQ(shown(link::pin::kLoad1), (std::pair{true, false}));
  EXPECT_EQ(told_.notes.back().second, "load output on");
  board_.fault_output->polarity = profile::Polarity::kActiveLow;
  EXPECT_EQ(shown(link::pin::kLoad1), (std::pair{true, true})) << "a pin that is low while it tells of a fault";
  EXPECT_EQ(shown(link::pin::kFault), (std::pair{false, false}));
  EXPECT_EQ(told_.notes.size(), 2U) << "of the load output";
}

TEST_F(BenchPlantTest, SaysWhenMoreIsChangedThanItCanKeep) {
  const std::string text{"x"};
  bool kept = true;
  for (int i = 0; i < 1000 && kept; ++i) kept = plant_->note({trace::EventKind::kMark, &text});
  EXPECT_FALSE(kept);
}

/// What the channels would have to carry at `time`, by a plant that knows the edges.
std::array<double, link::kChannels> truly(const BenchPlant& from, const std::vector<GateEdge>& edges, Nanos time) {
  plant::CircuitState state = from.state();
  plant::Conditions conditions = from.conditions();
  for (const GateEdge& edge : edges) {
    if (edge.time > time) break;
    static_cast<void>(from.circuit().advance(state, conditions, edge.time, nullptr));
    conditions.gate_on = edge.on;
  }
  static_cast<void>(from.circuit().advance(state, conditions, time, nullptr));
  return from.channels().carried_v(state, from.circuit().probe(state, conditions), conditions);
}

TEST_F(BenchPlantTest, ExpectsForEachPositionOfTheGateWhatThePlantWillHaveThere) {
  constexpr Nanos kPeriod = 2040us;
  std::vector<GateEdge> edges;
  for (Nanos rise = 500us; rise < 60ms; rise += kPeriod) {
    edges.push_back({rise, true});
    edges.push_back({rise + 800us, false});
  }
  double worst_battery_v = 0;
  double worst_panel_v = 0;
  std::size_t next = 0;
  for (Nanos known = 1ms; known < 50ms; known += 1ms) {
    std::vector<GateEdge> now;
    while (edges[next].time <= known) now.push_back(edges[next++]);
    ASSERT_EQ(plant_->advance(known, now), plant::AdvanceStatus::kOk);
    if (known < 6ms) continue;
    const GateEdge& last = edges[next - 1];
    const GatePattern pattern{known, last.on, last.time, kPeriod, 800us};
    ChannelLevels levels;
    ASSERT_TRUE(plant_->expect(pattern, known + 4ms, known + 5ms, levels));
    // In the middle of each stretch within the slot.
    for (Nanos t = known + 4ms; t < known + 5ms; t += 10us) {
      bool on = false;
      Nanos from_edge{0};
      for (const GateEdge& edge : edges) {
        if (edge.time > t) break;
        on = edge.on;
        from_edge = t - edge.time;
      }
      if (from_edge < 60us) continue;  // the stage's own capacitors are on their way
      const auto volts = truly(*plant_, {edges.begin() + static_cast<std::ptrdiff_t>(next), edges.end()}, t);
      const auto& level = on ? levels.on_v : levels.off_v;
      worst_battery_v = std::max(worst_battery_v, std::abs(level[0] - volts[0]));
      worst_panel_v = std::max(worst_panel_v, std::abs(level[1] - volts[1]));
    }
  }
  std::printf("expected levels off by at most %.3f mV (battery), %.3f mV (panel)\n", 1e3 * worst_battery_v,
              1e3 * worst_panel_v);
  EXPECT_LT(worst_battery_v, 0.5e-3);
  EXPECT_LT(worst_panel_v, 5e-3);
}

TEST_F(BenchPlantTest, CarriesNoLevelAcrossAnEdge) {
  ASSERT_EQ(plant_->advance(10ms, {}), plant::AdvanceStatus::kOk);
  ChannelLevels levels;
  ASSERT_TRUE(plant_->expect(GatePattern{10ms, false}, 14ms, 15ms, levels));
  // The gate is off and expected to stay so: on, the panel would be pulled down to the battery.
  EXPECT_GT(levels.off_v[1] - levels.on_v[1], 0.5);
  EXPECT_GT(levels.on_v[0] - levels.off_v[0], 1e-3) << "charging lifts the bus";
}

TEST_F(BenchPlantTest, AllocatesNothingOnceItRuns) {
  const scenario::Change sun = scenario::Sun{300.0, 5ms};
  const std::string text{"sun"};
  ChannelLevels levels;
  std::vector<GateEdge> edge(1);
  const std::int64_t before = allocations_so_far();
  bool on = false;
  for (Nanos known = 1ms; known < 100ms; known += 1ms) {
    const bool kept = known != 50ms || plant_->change(sun, {});
    ASSERT_TRUE(kept);
    ASSERT_TRUE(plant_->decide_until(known + 5ms));
    on = !on;
    edge[0] = {known - 400us, on};
    ASSERT_EQ(plant_->advance(known, edge), plant::AdvanceStatus::kOk);
    ASSERT_TRUE(plant_->expect({known, on, known - 400us, 2ms, 1ms}, known + 4ms, known + 5ms, levels));
  }
  EXPECT_EQ(allocations_so_far(), before);
}

}  // namespace
}  // namespace dawnrig::rig
