// Plant: long runs: the books, splitting, determinism, resuming, and no allocation on the way.
#include <gtest/gtest.h>

#include <cmath>
#include <cstring>

#include "fixture.h"
#include "plant/transition_memory.h"
#include "tests/allocations.h"

namespace dawnrig::plant {
namespace {

class Counter : public StepObserver {
 public:
  void on_step(const CircuitState& s, const Conditions&, const Probes&) override {
    ++steps;
    if (s.now <= last) backwards = true;
    last = s.now;
  }
  long steps{0};
  bool backwards{false};
  Nanos last{0};
};

void expect_same_bits(const CircuitState& a, const CircuitState& b) {
  EXPECT_EQ(a.now, b.now);
  EXPECT_EQ(a.input_v, b.input_v);
  EXPECT_EQ(a.bus_v, b.bus_v);
  EXPECT_EQ(a.battery.soc_frac, b.battery.soc_frac);
  EXPECT_EQ(a.battery.v_fast_v, b.battery.v_fast_v);
  EXPECT_EQ(a.battery.v_slow_v, b.battery.v_slow_v);
  EXPECT_EQ(a.battery.battery_degc, b.battery.battery_degc);
  EXPECT_EQ(a.load_state, b.load_state);
  EXPECT_EQ(a.sense_v, b.sense_v);
  EXPECT_EQ(a.cell_degc, b.cell_degc);
  EXPECT_EQ(std::memcmp(&a.books, &b.books, sizeof(Books)), 0);
  EXPECT_EQ(a.step_hint_s, b.step_hint_s);
}

// Forty PWM cycles in every minute of the hour, of a duty that grows; in between, the gate rests on or off.
TEST(CircuitRun, BooksCloseOverAnHourWithPwmInEveryMinute) {
  for (const double input_f : {2.2e-6, 220e-6}) {
    CircuitParams p = hut();
    p.stage.input_capacitance_f = input_f;
    const Circuit circuit{p};
    Conditions c = sunny();
    const CircuitState start = circuit.at_rest(rested(), c);
    CircuitState state = start;
    for (int minute = 0; minute < 60; ++minute) {
      for (int cycle = 0; cycle < 40; ++cycle) {
        ASSERT_EQ(pwm_cycle(circuit, state, c, 0.1 + 0.015 * minute), AdvanceStatus::kOk);
      }
      c.gate_on = minute % 2 == 0;
      ASSERT_EQ(circuit.advance(state, c, from_seconds(60.0 * (minute + 1)), nullptr), AdvanceStatus::kOk);
    }
    const double turned_over = state.books.panel_j + state.books.loads_j;
    EXPECT_GT(state.books.panel_j, 1e5);
    EXPECT_NEAR(circuit.books_residual_j(start, state) / turned_over, 0.0, 1e-6) << input_f << " F";
  }
}

TEST(CircuitRun, BooksCloseOverThousandsOfEdges) {
  for (const double input_f : {2.2e-6, 220e-6}) {
    CircuitParams p = hut();
    p.stage.input_capacitance_f = input_f;
    const Circuit circuit{p};
    Conditions c = sunny();
    const CircuitState start = circuit.at_rest(rested(), c);
    CircuitState state = start;
    for (int cycle = 0; cycle < 1500; ++cycle) {
      ASSERT_EQ(pwm_cycle(circuit, state, c, 0.6), AdvanceStatus::kOk);
    }
    EXPECT_NEAR(circuit.books_residual_j(start, state) / state.books.panel_j, 0.0, 2e-6) << input_f << " F";
    const double net_ah = (state.battery.soc_frac - start.battery.soc_frac) * 200.0 + state.books.gassing_ah;
    EXPECT_NEAR(state.books.battery_charge_ah - state.books.battery_discharge_ah, net_ah, 1e-8);
  }
}

TEST(CircuitRun, SplittingAnAdvanceAtSampleTimesChangesNothingThatMatters) {
  const Circuit circuit{hut()};
  Conditions c = sunny();
  CircuitState whole = circuit.at_rest(rested(), c);
  CircuitState split = whole;
  for (int cycle = 0; cycle < 50; ++cycle) {
    const Nanos start = whole.now;
    ASSERT_EQ(pwm_cycle(circuit, whole, c, 0.4), AdvanceStatus::kOk);
    const Nanos on{static_cast<std::int64_t>(static_cast<double>(kPwmPeriod.count()) * 0.4)};
    for (std::int64_t ns = 0; ns <= kPwmPeriod.count(); ns += 3'700 + 1'901 * (cycle % 7)) {
      c.gate_on = true;
      ASSERT_EQ(circuit.advance(split, c, start + std::min(on, Nanos{ns}), nullptr), AdvanceStatus::kOk);
      if (Nanos{ns} <= on) continue;
      ASSERT_EQ(circuit.advance(split, c, start + on, nullptr), AdvanceStatus::kOk);
      c.gate_on = false;
      ASSERT_EQ(circuit.advance(split, c, start + Nanos{ns}, nullptr), AdvanceStatus::kOk);
    }
    c.gate_on = false;
    ASSERT_EQ(circuit.advance(split, c, start + kPwmPeriod, nullptr), AdvanceStatus::kOk);
    ASSERT_NEAR(split.bus_v, whole.bus_v, 1e-5) << "cycle " << cycle;
    ASSERT_NEAR(split.sense_v[0], whole.sense_v[0], 1e-5) << "cycle " << cycle;
  }
  EXPECT_NEAR(split.books.battery_charge_ah / whole.books.battery_charge_ah, 1.0, 2e-6);
}

TEST(CircuitRun, TheSameRunTwiceAndAResumedCopyAgreeBitForBit) {
  const Circuit circuit{hut()};
  const Circuit twin{hut()};
  Conditions c = sunny();
  c.sun.slope_wpm2_per_s = 3.0;
  CircuitState a = circuit.at_rest(rested(), c);
  CircuitState b = twin.at_rest(rested(), c);
  for (int cycle = 0; cycle < 200; ++cycle) {
    ASSERT_EQ(pwm_cycle(circuit, a, c, 0.37), AdvanceStatus::kOk);
    Counter watching;  // being watched must not matter
    CircuitState copy = b;
    b = CircuitState{};
    ASSERT_EQ(pwm_cycle(twin, copy, c, 0.37, &watching), AdvanceStatus::kOk);
    EXPECT_FALSE(watching.backwards);
    b = copy;
  }
  expect_same_bits(a, b);
}

TEST(CircuitRun, AQuietNightTakesFewStepsAndABusyEdgeMany) {
  const Circuit circuit{hut()};
  Conditions c = sunny(0.0);
  CircuitState state = circuit.at_rest(rested(0.0), c);
  Counter night;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(36000.0), &night), AdvanceStatus::kOk);
  EXPECT_LT(night.steps, 400);
  EXPECT_EQ(night.last, from_seconds(36000.0));
  // Ten hours in one piece and in ten thousand give the same battery.
  CircuitState pieces = circuit.at_rest(rested(0.0), c);
  for (int i = 1; i <= 10000; ++i) {
    ASSERT_EQ(circuit.advance(pieces, c, from_seconds(3.6 * i), nullptr), AdvanceStatus::kOk);
  }
  EXPECT_NEAR(pieces.bus_v, state.bus_v, 1e-4);
  EXPECT_NEAR(pieces.battery.soc_frac, state.battery.soc_frac, 1e-6);
}

// Each edge is looked at from its far side, as the rig does, by the one and not by the other.
TEST(CircuitRun, LookingAtAnEdgeWithWhatIsKeptShowsTheSameAndChangesNoMoreThanRounding) {
  CircuitParams p = hut();
  p.sense.push_back({SenseNode::kBus, OffsetDividerParams{}});
  LeadAcidParams battery;
  battery.r_series_rise_frac = 2.0;  // so that its resistance is another from edge to edge
  battery.capacity_ah = 1.0;
  p.battery = battery;
  const Circuit circuit{p};
  Conditions c = sunny();
  CircuitState looked = circuit.at_rest(rested(), c);
  CircuitState alone = looked;
  TransitionMemory of_looked{p};
  TransitionMemory of_alone{p};
  for (int edge = 0; edge < 600; ++edge) {
    c.gate_on = edge % 2 == 0;
    if (edge % 50 == 40) c.load_switch_on = !c.load_switch_on;
    const Probes kept = circuit.probe(looked, c, of_looked);
    const Probes anew = circuit.probe(looked, c);
    // Where the place is remembered, so is what it shows.
    const bool remembers = of_looked.built() > 0;
    ASSERT_NEAR(kept.panel_a, anew.panel_a, remembers ? 5e-3 : 1e-9) << edge;
    ASSERT_NEAR(kept.panel_v, anew.panel_v, remembers ? 5e-4 : 1e-9) << edge;
    ASSERT_NEAR(kept.battery_a, anew.battery_a, 1e-9) << edge;
    ASSERT_NEAR(kept.terminal_v, anew.terminal_v, 1e-9) << edge;
    ASSERT_NEAR(kept.charge_a, anew.charge_a, remembers ? 2e-2 : 1e-9) << edge;
    ASSERT_NEAR(kept.load_a, anew.load_a, remembers ? 1e-4 : 1e-9) << edge;
    ASSERT_NEAR(kept.gassing_a, anew.gassing_a, remembers ? 1e-5 : 1e-12) << edge;
    ASSERT_EQ(kept.sense_v, anew.sense_v) << edge;
    const Nanos to = looked.now + kPwmPeriod * (c.gate_on ? 3 + edge % 4 : 9 - edge % 4) / 12;
    ASSERT_EQ(circuit.advance(looked, c, to, nullptr, &of_looked), AdvanceStatus::kOk);
    ASSERT_EQ(circuit.advance(alone, c, to, nullptr, &of_alone), AdvanceStatus::kOk);
  }
  EXPECT_GT(of_looked.recalled(), 100);
  // The panel's iteration begins where it last ended, which is another place.
  EXPECT_NEAR(looked.bus_v, alone.bus_v, 1e-12);
  EXPECT_NEAR(looked.battery.soc_frac, alone.battery.soc_frac, 1e-15);
  EXPECT_NEAR(looked.books.panel_j, alone.books.panel_j, 1e-9);
  EXPECT_NEAR(looked.books.loads_j, alone.books.loads_j, 1e-9);
}

// Looks at each jump of a load, which comes in the midst of an advance: with the memory that the advance works with, or
// without.
class Onlooker final : public StepObserver {
 public:
  Onlooker(const Circuit& circuit, TransitionMemory* memory) : circuit_{circuit}, memory_{memory} {}
  void on_step(const CircuitState&, const Conditions&, const Probes&) override {}
  void on_jump(const CircuitState& state, const Conditions& c) override {
    const Probes seen = memory_ != nullptr ? circuit_.probe(state, c, *memory_) : circuit_.probe(state, c);
    sum_a += seen.load_a;
    ++jumps;
  }
  double sum_a{0};
  int jumps{0};

 private:
  const Circuit& circuit_;
  TransitionMemory* memory_;
};

TEST(CircuitRun, IsNotDisturbedByALookInTheMidstOfAnAdvance) {
  CircuitParams p = hut();
  p.stage.heat_sink = HeatSinkParams{20.0, 0.002};  // moves by more than the memory lets pass within an advance
  p.loads.push_back(
      {PulsedParams{.transmit_a = 5.0, .receive_a = 0.5, .transmit = Nanos{700'000}, .period = Nanos{1'500'000}},
       false});
  const Circuit circuit{p};
  Conditions c = sunny();
  c.loads[2].on = true;
  c.sun.slope_wpm2_per_s = 50.0;
  CircuitState with = circuit.at_rest(rested(), c);
  CircuitState without = with;
  TransitionMemory of_with{p};
  TransitionMemory of_without{p};
  Onlooker looking{circuit, &of_with};
  Onlooker plain{circuit, nullptr};
  const double before_degc = with.stage_degc;
  for (int cycle = 0; cycle < 300; ++cycle) {
    ASSERT_EQ(pwm_cycle(circuit, with, c, 0.5, &looking, &of_with), AdvanceStatus::kOk);
    ASSERT_EQ(pwm_cycle(circuit, without, c, 0.5, &plain, &of_without), AdvanceStatus::kOk);
  }
  EXPECT_GT(with.stage_degc, before_degc + 1.0);
  EXPECT_GT(looking.jumps, 500);
  EXPECT_EQ(looking.jumps, plain.jumps);
  EXPECT_EQ(looking.sum_a, plain.sum_a);
  expect_same_bits(with, without);
}

// What an advance ends with is then looked at when the next one begins there, and not before.
TEST(CircuitRun, GoesOnFromAConversionToTheNextAlikeWhetherOrNotAnybodyWatches) {
  const Circuit circuit{hut()};
  Conditions c = sunny();
  c.sun.slope_wpm2_per_s = 50.0;
  CircuitState watched = circuit.at_rest(rested(), c);
  CircuitState alone = watched;
  TransitionMemory of_watched{hut()};
  TransitionMemory of_alone{hut()};
  Counter watching;
  c.gate_on = true;
  for (int conversion = 1; conversion <= 300; ++conversion) {
    const Nanos to = conversion * Nanos{104'000};
    if (conversion % 40 == 20) c.sun = {to, 700.0 + conversion, -50.0};
    if (conversion % 40 == 0) {  // the same light, on another way from here
      const double poa_wpm2 = c.sun.poa_wpm2 + c.sun.slope_wpm2_per_s * in_seconds(watched.now - c.sun.since);
      c.sun = {watched.now, poa_wpm2, 80.0};
    }
    const bool looks = conversion % 7 == 0;
    if (looks) {
      ASSERT_EQ(circuit.probe(watched, c, of_watched).panel_a, circuit.probe(alone, c, of_alone).panel_a) << conversion;
    }
    ASSERT_EQ(circuit.advance(watched, c, to, &watching, &of_watched), AdvanceStatus::kOk);
    ASSERT_EQ(circuit.advance(alone, c, to, nullptr, &of_alone), AdvanceStatus::kOk);
    expect_same_bits(watched, alone);
    ASSERT_FALSE(HasFailure()) << "after conversion " << conversion;
  }
  EXPECT_GT(watching.steps, 300);
}

TEST(CircuitRun, AllocatesNothing) {
  CircuitParams p = hut();
  p.sense.push_back({SenseNode::kBus, OffsetDividerParams{}});
  p.loads.push_back({LampParams{}, false});
  const Circuit circuit{p};
  Conditions c = sunny();
  c.loads[2].on = true;
  CircuitState state = circuit.at_rest(rested(), c);
  Counter watching;
  TransitionMemory memory{p};
  const std::int64_t before = allocations_so_far();
  for (int cycle = 0; cycle < 60; ++cycle) {  // long enough for transitions to be built and recalled
    const AdvanceStatus status = pwm_cycle(circuit, state, c, 0.5, &watching, cycle < 20 ? nullptr : &memory);
    const Probes seen = cycle < 40 ? circuit.probe(state, c) : circuit.probe(state, c, memory);
    if (status != AdvanceStatus::kOk || !(seen.bus_v > 0.0)) break;
  }
  const std::int64_t after = allocations_so_far();
  EXPECT_EQ(after, before);
  EXPECT_EQ(state.now, 60 * kPwmPeriod);
  EXPECT_GT(memory.recalled(), 0);
  int* seen_by_the_counter = new int{1};
  EXPECT_EQ(allocations_so_far(), after + 1) << "the counter itself must count";
  delete seen_by_the_counter;
}

}  // namespace
}  // namespace dawnrig::plant
