// Plant: circuits drawn at random from all that check() allows, under random edges, weather and faults: none may crash,
// hang, leave the real numbers or lose energy. A failure prints the seed that draws the same circuit again.
//
// A few seconds by default. Longer, or one seed alone:
//   DAWNRIG_FUZZ_CIRCUITS=100000 build/release/tests/plant/plant_test --gtest_filter='Fuzz.*'
//   DAWNRIG_FUZZ_FIRST=4711 DAWNRIG_FUZZ_CIRCUITS=1 ...
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <stdexcept>
#include <string>

#include "fixture.h"
#include "tests/fuzz/dice.h"

namespace dawnrig::plant {
namespace {

using fuzz::Dice;

DiodeParams diode(Dice& d) {
  for (;;) {
    const DiodeParams p{d.decades(1e-18, 0.01), d.even(0.5, 4.0), d.decades(1e-4, 10.0),
                        d.chance(0.5),          d.even(0.1, 3.0), d.even(0.0, 10.0)};
    Problems problems;
    p.check(problems, "");
    if (problems.empty()) return p;
  }
}

StageParams stage(Dice& d) {
  StageParams s;
  s.output_capacitance_f = d.decades(1e-7, 0.1);
  s.switch_on_resistance_ohm = d.decades(1e-4, 10.0);
  s.switch_per_k = d.chance(0.5) ? d.even(0.0, 0.02) : 0.0;
  s.blocking_diode = diode(d);
  s.quiescent_a = d.even(0.0, 1.0);
  if (d.chance(0.3)) s.heat_sink = HeatSinkParams{d.decades(1e-3, 1e3), d.decades(1e-2, 1e6)};
  s.input_capacitance_f = d.decades(1e-8, 0.1);
  const int kind = d.below(3);
  if (kind == 1) {
    s.topology = ShuntPwmParams{};
    s.input_capacitance_f = d.decades(1e-8, 2e-5);
  } else if (kind == 2) {
    BuckParams b;
    b.inductance_henry = d.decades(1e-7, 0.1);
    b.winding_ohm = d.chance(0.2) ? 0.0 : d.decades(1e-4, 10.0);
    b.core_ohm = d.decades(10.0, 2e4);
    b.freewheel = static_cast<Freewheel>(d.below(3));
    b.freewheel_ohm = d.decades(1e-4, 10.0);
    b.freewheel_diode = diode(d);
    b.blocks_reverse = d.chance(0.5);
    b.body_diode = diode(d);
    s.topology = b;
  }
  return s;
}

LoadParams load(Dice& d) {
  LoadParams l;
  l.unswitched = d.chance(0.5);
  switch (d.below(4)) {
    case 0:
      l.kind = ResistiveParams{d.decades(0.01, 1e9)};
      break;
    case 1:
      l.kind = ConstantCurrentParams{d.decades(1e-3, 100.0), d.decades(0.1, 100.0)};
      break;
    case 2:
      l.kind = ConstantPowerParams{d.decades(1e-2, 3000.0), d.decades(1.0, 100.0)};
      break;
    default: {
      const double hot_ohm = d.decades(0.05, 1e4);
      l.kind = LampParams{hot_ohm, std::max(0.01, hot_ohm * d.even(0.05, 0.9)), d.decades(1.0, 400.0),
                          d.decades(0.001, 10.0)};
    }
  }
  return l;
}

CircuitParams circuit(Dice& d) {
  CircuitParams p;
  const double cells = 1.0 + d.below(48);
  const double light_a = d.decades(1e-3, 100.0);
  p.panel.light_current_a = light_a;
  p.panel.saturation_current_a = d.decades(1e-15, 1e-3);
  p.panel.modified_ideality_v = d.decades(0.1, 10.0);
  p.panel.series_resistance_ohm = d.decades(1e-3, 100.0);
  p.panel.shunt_resistance_ohm = d.decades(1.0, 1e6);
  p.panel.short_circuit_tempco_a_per_k = light_a * d.even(-0.001, 0.002);
  p.panel.noct_degc = d.even(20.0, 80.0);
  p.panel_cable_ohm = d.decades(1e-5, 10.0);
  p.battery_cable_ohm = d.decades(1e-5, 10.0);
  p.cable_per_k = d.chance(0.5) ? 0.00393 : 0.0;
  if (d.chance(0.2)) p.battery_fuse = FuseParams{d.decades(0.01, 1e3), d.decades(1e-3, 1e9), d.even(0.0, 0.1)};
  if (d.chance(0.2)) p.panel_fuse = FuseParams{d.decades(0.01, 1e3), d.decades(1e-3, 1e9), d.even(0.0, 0.1)};
  p.stage = stage(d);
  LeadAcidParams b;
  b.cells = cells;
  b.capacity_ah = d.decades(0.1, 1e5);
  b.r_series_ohm = d.decades(1e-5, 10.0);
  b.r_fast_ohm = d.decades(1e-6, 10.0);
  b.tau_fast_s = d.decades(0.001, 60.0);
  b.r_slow_ohm = d.decades(1e-6, 10.0);
  b.tau_slow_s = d.decades(1.0, 1e5);
  b.gassing_a_per_100ah = d.chance(0.3) ? 0.0 : d.decades(1e-3, 0.1);
  b.r_acceptance_ohm = d.chance(0.3) ? 0.0 : d.decades(1e-3, 10.0);
  p.battery = b;
  p.load_switch_ohm = d.decades(1e-4, 10.0);
  for (int i = d.below(5); i > 0; --i) p.loads.push_back(load(d));
  for (int i = d.below(4); i > 0; --i) {
    p.sense.push_back({d.chance(0.5) ? SenseNode::kBus : SenseNode::kPanelInput,
                       DividerParams{d.decades(1.0, 1e8), d.decades(1.0, 1e8), d.decades(1e-12, 1e-3)}});
  }
  return p;
}

void disturb(Dice& d, const CircuitParams& p, Conditions& c, Nanos now) {
  switch (d.below(12)) {
    case 0:
      c.sun = {now, d.even(0.0, 2500.0), d.chance(0.3) ? d.even(-500.0, 500.0) : 0.0};
      break;
    case 1:
      c.battery_connected = d.chance(0.7);
      break;
    case 2:
      c.panel_connected = d.chance(0.7);
      break;
    case 3:
      c.switch_fault = static_cast<SwitchFaultKind>(d.chance(0.6) ? 0 : d.below(4));
      break;
    case 4:
      c.load_switch_on = d.chance(0.7);
      break;
    case 5:
      for (std::size_t i = 0; i < p.loads.size(); ++i) c.loads[i] = {d.chance(0.6), d.decades(0.1, 10.0)};
      break;
    case 6:
      c.ambient_degc = d.even(-60.0, 80.0);
      break;
    case 7:
      c.battery_contact_ohm = d.chance(0.5) ? 0.0 : d.decades(1e-3, 1e3);
      c.panel_contact_ohm = d.chance(0.5) ? 0.0 : d.decades(1e-3, 1e3);
      break;
    case 8:
      c.battery_resistance_scale = d.decades(0.01, 1000.0);
      c.battery_cable_scale = d.decades(0.01, 1000.0);
      c.panel_cable_scale = d.decades(0.01, 1000.0);
      break;
    case 9:
      for (std::size_t i = 0; i < p.sense.size(); ++i) c.sense_faults[i] = static_cast<SenseFaultKind>(d.below(5));
      break;
    default:
      break;
  }
}

// Steps are counted within one advance: a stretch that takes for ever is as bad as a crash.
class Patience : public StepObserver {
 public:
  void on_step(const CircuitState&, const Conditions&, const Probes&) override {
    if (++steps > kMostSteps) throw std::runtime_error("hangs");
  }
  static constexpr long kMostSteps = 100'000;
  long steps{0};
};

bool finite(const CircuitState& s, const Probes& p) {
  double sum = 0.0;
  for (const double x :
       {s.input_v, s.bus_v, s.inductor_a, s.stage_degc, s.cell_degc, s.battery.soc_frac, s.battery.v_fast_v,
        s.battery.v_slow_v, s.battery.battery_degc, s.books.panel_j, s.books.stage_j, s.books.loads_j, p.panel_v,
        p.panel_a, p.battery_a, p.load_a, p.charge_a, p.terminal_v}) {
    sum += 0.0 * x;
  }
  return sum == 0.0;
}

struct Outcome {
  std::string failure;
  long most_steps{0};
  double books_frac{0.0};
};

Outcome run(std::uint64_t seed) {
  Dice d{seed};
  CircuitParams p = circuit(d);
  Problems problems;
  p.check(problems);
  if (!problems.empty()) return {"drew " + problems.list()[0].field + " " + problems.list()[0].message};
  const Circuit plant{p};
  Conditions c;
  c.sun.poa_wpm2 = d.even(0.0, 1500.0);
  c.load_switch_on = d.chance(0.5);
  for (std::size_t i = 0; i < p.loads.size(); ++i) c.loads[i].on = d.chance(0.5);
  // Thermal runaway of an overcharged battery is its own matter; what may leave the real numbers here is the circuit.
  c.battery_held_at_temperature = true;
  c.battery_held_degc = d.even(-40.0, 60.0);
  InitialConditions rest;
  rest.soc_frac = d.even(0.0, 1.0);
  rest.poa_wpm2 = c.sun.poa_wpm2;
  rest.ambient_degc = c.ambient_degc = d.even(-40.0, 60.0);
  CircuitState state = plant.at_rest(rest, c);
  const CircuitState start = state;
  Outcome outcome;
  for (int i = 0; i < 24; ++i) {
    disturb(d, p, c, state.now);
    c.gate_on = d.chance(0.5);
    // An inductor that rings with its capacitors is followed ring by ring: no such stretch lasts minutes.
    const double longest_ns = std::holds_alternative<BuckParams>(p.stage.topology) ? 1e8 : 1e12;
    const auto length = static_cast<std::int64_t>(i % 8 == 7 ? d.decades(1e7, longest_ns) : d.decades(1e2, 1e7));
    if (i % 8 == 7) c.sun = {state.now, c.sun.poa_wpm2, 0.0};  // no ramp goes on for minutes
    Patience patience;
    AdvanceStatus status = AdvanceStatus::kOk;
    try {
      status = plant.advance(state, c, state.now + Nanos{length}, &patience);
    } catch (const std::runtime_error& hang) {
      return {std::string(hang.what()) + " in stretch " + std::to_string(i) + " of " + std::to_string(length) + " ns"};
    }
    outcome.most_steps = std::max(outcome.most_steps, patience.steps);
    if (status != AdvanceStatus::kOk) {
      return {std::string(status == AdvanceStatus::kNotANumber ? "not a number" : "not converged") + " in stretch " +
              std::to_string(i)};
    }
    if (!finite(state, plant.probe(state, c)))
      return {"shows a number that is none after stretch " + std::to_string(i)};
  }
  const Books& b = state.books;
  const double turned_over_j = std::abs(b.panel_j) + std::abs(b.battery_in_j) + std::abs(b.loads_j) + b.stage_j + 1e-3;
  outcome.books_frac = std::abs(plant.books_residual_j(start, state)) / turned_over_j;
  if (!(outcome.books_frac < 5e-2)) outcome.failure = "books miss " + std::to_string(outcome.books_frac);
  return outcome;
}

TEST(Fuzz, NoCircuitThatTheChecksAllowCrashesHangsOrLeavesTheRealNumbers) {
  const std::uint64_t first = fuzz::from_environment("DAWNRIG_FUZZ_FIRST", 1);
  const std::uint64_t circuits = fuzz::from_environment("DAWNRIG_FUZZ_CIRCUITS", 300);
  long most_steps = 0;
  double worst_frac = 0.0;
  int failures = 0;
  for (std::uint64_t seed = first; seed < first + circuits; ++seed) {
    const Outcome outcome = run(seed);
    if (!outcome.failure.empty() && ++failures <= 20) ADD_FAILURE() << "seed " << seed << ": " << outcome.failure;
    most_steps = std::max(most_steps, outcome.most_steps);
    worst_frac = std::max(worst_frac, outcome.books_frac);
  }
  std::printf("fuzz: %llu circuits from seed %llu, %d failures, at most %ld steps to a stretch, books within %.2g\n",
              static_cast<unsigned long long>(circuits), static_cast<unsigned long long>(first), failures, most_steps,
              worst_frac);
}

// What lies outside is refused before it gets anywhere near an equation.
TEST(Fuzz, NumbersOutsideTheChecksAreRefusedByName) {
  for (const double bad : {1e-12, 1e12, 0.0, -1.0, std::nan(""), HUGE_VAL}) {
    for (double CircuitParams::*field : {&CircuitParams::panel_cable_ohm, &CircuitParams::battery_cable_ohm}) {
      CircuitParams p = hut();
      p.*field = bad;
      Problems problems;
      p.check(problems);
      EXPECT_EQ(problems.list().size(), 1U) << bad;
    }
    CircuitParams p = hut();
    p.stage.switch_on_resistance_ohm = bad;
    p.stage.output_capacitance_f = bad;
    BuckParams b;
    b.inductance_henry = b.core_ohm = b.freewheel_ohm = bad;
    p.stage.topology = b;
    Problems problems;
    p.check(problems);
    EXPECT_EQ(problems.list().size(), 5U) << bad;
  }
}

}  // namespace
}  // namespace dawnrig::plant
