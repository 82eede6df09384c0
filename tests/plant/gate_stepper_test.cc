// Plant: gate edges of the ridge repeater against the other integrator of the plant in steps of a nanosecond.
#include "plant/gate_stepper.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "fixture.h"
#include "plant/core/rodas3.h"
#include "plant/transition_memory.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

using namespace std::chrono_literals;
using Vector = CircuitSystem::Vector;

constexpr double kCloseC = 1.1e-8;  // 5 mV on 2.2 uF

struct Edge {
  std::string name;
  CircuitParams params;
  Conditions conditions;
  InitialConditions rest;
};

Edge edge(std::string name, double input_f = 2.2e-6) {
  return {std::move(name), ridge_repeater(input_f), ridge_forenoon(), ridge_rested()};
}

std::vector<Edge> edges() {
  std::vector<Edge> all{edge("bright"),
                        edge("bright, 220 uF", 220e-6),
                        edge("lamp and heater on"),
                        edge("dusk"),
                        edge("offset diode"),
                        edge("battery lost"),
                        edge("pin shorted"),
                        edge("sun on a steep ramp"),
                        edge("pin beyond the supply"),
                        edge("battery hard to fill")};
  for (LoadParams& load : all[2].params.loads) load.unswitched = std::holds_alternative<ResistiveParams>(load.kind);
  all[2].conditions.loads[2].on = all[2].conditions.loads[3].on = true;
  all[3].conditions.sun.poa_wpm2 = all[3].rest.poa_wpm2 = 3.0;
  all[4].params.sense[0].network = OffsetDividerParams{15.0, 5e-3, 0.05, 0.0, 0.01, 33e3, 11e3, 68e-9};
  all[5].conditions.battery_connected = false;
  all[6].conditions.sense_faults[0] = SenseFaultKind::kShortToGround;
  all[7].conditions.sun.slope_wpm2_per_s = 1e6;
  all[8].params.sense[1].network = DividerParams{120e3, 20e3, 1e-9};  // its protection lets go and takes hold again
  all[9].rest.soc_frac = 0.999;
  LeadAcidParams& hard = std::get<LeadAcidParams>(all[9].params.battery);
  hard.r_acceptance_ohm = 80.0;
  hard.tau_fast_s = 0.02;
  return all;
}

// Both integrators from the same state on, side by side.
class Race {
 public:
  Race(const Edge& e, bool gate_on)
      : edge_{e},
        circuit_{e.params},
        parts_{e.params},
        conditions_{e.conditions},
        state_{circuit_.at_rest(e.rest, resting(e.conditions, gate_on))} {
    conditions_.gate_on = gate_on;
    y_[Slot::kInput] = state_.input_v;
    y_[Slot::kBus] = state_.bus_v;
    y_[Slot::kFast] = state_.battery.v_fast_v;
    y_[Slot::kSlow] = state_.battery.v_slow_v;
    y_[Slot::kSoc] = state_.battery.soc_frac;
    y_[Slot::kBatteryDegc] = state_.battery.battery_degc;
    y_[Slot::kCellDegc] = state_.cell_degc;
    y_[Slot::kPoa] = conditions_.sun.poa_wpm2;
    for (std::size_t i = 0; i < e.params.loads.size(); ++i) y_[Slot::kFirstLoad + i] = state_.load_state[i];
    for (std::size_t i = 0; i < e.params.sense.size(); ++i) y_[first_sense() + i] = state_.sense_v[i];
  }

  void run(Nanos to) {
    CircuitSystem system{edge_.params, parts_, conditions_};
    system.set_sun_slope(conditions_.sun.slope_wpm2_per_s);
    Rodas3<CircuitSystem> method;
    for (Nanos now = state_.now; now < to; ++now) {
      Vector next{};
      Vector error{};
      ASSERT_TRUE(method.begin(system, y_));
      system.mark();
      system.linearise(2.0 / 1e-9);
      method.predict(system, 1e-9);
      ASSERT_TRUE(method.finish(system, y_, 1e-9, next, error));
      const double from_a = system.battery_a(y_);
      const double to_a = system.battery_a(next);
      charged_ah_ += 0.5e-9 / 3600.0 * (std::max(from_a, 0.0) + std::max(to_a, 0.0));
      y_ = next;
    }
    ASSERT_EQ(circuit_.advance(state_, conditions_, to, nullptr), AdvanceStatus::kOk);
  }

  void expect_close(const std::string& where) const {
    EXPECT_NEAR(state_.bus_v, y_[Slot::kBus], 2e-5) << where;
    // What the input capacitor misses, in charge, is what it will miss on the bus.
    const double input_f = edge_.params.stage.input_capacitance_f;
    EXPECT_NEAR(input_f * state_.input_v, input_f * y_[Slot::kInput], kCloseC) << where;
    EXPECT_NEAR(state_.battery.v_fast_v, y_[Slot::kFast], 1e-5) << where;
    EXPECT_NEAR(state_.battery.soc_frac, y_[Slot::kSoc], 1e-11) << where;
    for (std::size_t i = 0; i < edge_.params.loads.size(); ++i) {
      EXPECT_NEAR(state_.load_state[i], y_[Slot::kFirstLoad + i], 1e-6) << where << ", load " << i;
    }
    for (std::size_t i = 0; i < edge_.params.sense.size(); ++i) {
      EXPECT_NEAR(state_.sense_v[i], y_[first_sense() + i], 5e-4) << where << ", pin " << i;
    }
    const Books& b = state_.books;
    // A gate interval turns over a fifth of a joule; the first tens of nanoseconds hardly any.
    const double close_j = 2e-8 + 2e-5 * (std::abs(y_[Slot::kPanelJ]) + std::abs(y_[Slot::kBatteryJ]));
    EXPECT_NEAR(b.panel_j, y_[Slot::kPanelJ], close_j + 42.0 * kCloseC) << where;
    EXPECT_NEAR(b.wiring_j, y_[Slot::kWiringJ], close_j) << where;
    EXPECT_NEAR(b.stage_j, y_[Slot::kStageJ], close_j) << where;
    EXPECT_NEAR(b.battery_in_j, y_[Slot::kBatteryJ], close_j) << where;
    EXPECT_NEAR(b.loads_j, y_[Slot::kLoadsJ], close_j) << where;
    EXPECT_NEAR(b.sense_j, y_[Slot::kSenseJ], 1e-2 * close_j) << where;
    EXPECT_NEAR(b.battery_charge_ah - b.battery_discharge_ah, y_[Slot::kNetAh], close_j / 24.0 / 3600.0) << where;
    EXPECT_NEAR(b.battery_charge_ah, charged_ah_, 2e-11) << where << ", gross";
    EXPECT_NEAR(b.gassing_ah, y_[Slot::kGassingAh], 3e-4 * y_[Slot::kGassingAh]) << where;
  }
  [[nodiscard]] double residual_share() const {
    CircuitState start = circuit_.at_rest(edge_.rest, resting(edge_.conditions, conditions_.gate_on));
    return circuit_.books_residual_j(start, state_) / (state_.books.panel_j + state_.books.loads_j);
  }

 private:
  static Conditions resting(Conditions c, bool gate_on) {
    c.gate_on = !gate_on;
    c.battery_connected = true;
    c.sense_faults = {};
    return c;
  }
  [[nodiscard]] std::size_t first_sense() const { return Slot::kFirstLoad + edge_.params.loads.size(); }

  const Edge& edge_;
  Circuit circuit_;
  CircuitParts parts_;
  Conditions conditions_;
  CircuitState state_;
  Vector y_{};
  double charged_ah_{0.0};  // gross
};

TEST(GateStepper, IsWithinAFiftiethOfAMillivoltOfNanosecondStepsAfterEitherEdge) {
  for (const Edge& e : edges()) {
    for (const bool gate_on : {true, false}) {
      Race race{e, gate_on};
      for (const int ns : {37, 100, 260, 700, 1900, 5000, 13000, 30000}) {
        race.run(Nanos{ns});
        race.expect_close(e.name + (gate_on ? ", on, after " : ", off, after ") + std::to_string(ns) + " ns");
      }
      EXPECT_NEAR(race.residual_share(), 0.0, 1e-8) << e.name;
    }
  }
}

TEST(CircuitSystem, FindsTheSameVoltageBehindTheLoadSwitchFromWhereverItComes) {
  CircuitParams p = ridge_repeater();
  p.load_switch_ohm = 2.0;
  const CircuitParts parts{p};
  const Conditions c = ridge_forenoon();
  CircuitSystem follower{p, parts, c};
  Vector y{};
  y[Slot::kSoc] = 0.9;
  for (const double bus_v : {26.0, 26.0000001, 25.3, 25.9, 20.0, 25.0, 15.0, 15.7, 3.0, 0.0}) {
    y[Slot::kBus] = bus_v;
    CircuitSystem fresh{p, parts, c};
    ASSERT_TRUE(follower.currents(y));
    ASSERT_TRUE(fresh.currents(y));
    ASSERT_NEAR(follower.point().load_a, fresh.point().load_a, 1e-11) << bus_v << " V";
    ASSERT_NEAR(follower.point().load_v, fresh.point().load_v, 1e-11) << bus_v << " V";
    ASSERT_NEAR(follower.point().load_d_bus, fresh.point().load_d_bus, 1e-6) << bus_v << " V";
  }
}

TEST(GateStepper, LeavesLongStretchesAndQuickBatteriesToTheOther) {
  const CircuitParams p = ridge_repeater();
  const CircuitParts parts{p};
  const Conditions c = ridge_forenoon();
  const CircuitSystem system{p, parts, c};
  EXPECT_TRUE(GateStepper::suits(system, 2e-3));
  EXPECT_FALSE(GateStepper::suits(system, 0.1));
  CircuitParams quick = p;
  std::get<LeadAcidParams>(quick.battery).tau_fast_s = 1e-3;
  const CircuitParts quick_parts{quick};
  EXPECT_FALSE(GateStepper::suits(CircuitSystem{quick, quick_parts, c}, 2e-3));
}

// Both sides of the choice between the integrators must lead to the same place.
TEST(GateStepper, MeetsTheOtherWhereLongAndShortStretchesMeet) {
  for (const double input_f : {2.2e-6, 220e-6}) {
    const Circuit circuit{ridge_repeater(input_f)};
    Conditions c = ridge_forenoon();
    c.loads[2].on = true;
    CircuitState whole = circuit.at_rest(ridge_rested(), c);
    whole.load_state[2] = 1.0;  // the lamp has just been lit
    CircuitState pieces = whole;
    for (int i = 1; i <= 10; ++i) {
      c.gate_on = !c.gate_on;
      const Nanos start = whole.now;
      ASSERT_EQ(circuit.advance(whole, c, start + Nanos{50'000'000}, nullptr), AdvanceStatus::kOk);
      for (int j = 1; j <= 25; ++j) {
        ASSERT_EQ(circuit.advance(pieces, c, start + j * Nanos{2'000'000}, nullptr), AdvanceStatus::kOk);
      }
      EXPECT_NEAR(pieces.bus_v, whole.bus_v, 2e-5) << "after stretch " << i;
      EXPECT_NEAR(pieces.load_state[2], whole.load_state[2], 1e-4) << "after stretch " << i;
      EXPECT_NEAR(pieces.sense_v[0], whole.sense_v[0], 1e-5) << "after stretch " << i;
    }
    const double net_ah = whole.books.battery_charge_ah - whole.books.battery_discharge_ah;
    EXPECT_NEAR((pieces.books.battery_charge_ah - pieces.books.battery_discharge_ah) / net_ah, 1.0, 1e-5);
    EXPECT_NEAR(pieces.books.panel_j / whole.books.panel_j, 1.0, 1e-5);
    EXPECT_NEAR(pieces.books.stage_j / whole.books.stage_j, 1.0, 1e-4);
  }
}

// Of a circuit that hardly moves the products of small excursions are left out of the books. That is no more than this.
TEST(GateStepper, KeepsTheBooksOfQuietStepsToAMillionthOfAMillijoule) {
  for (const double poa_wpm2 : {0.0, 4.0, 800.0}) {
    for (const double input_f : {2.2e-6, 2.2e-3}) {
      const Circuit circuit{ridge_repeater(input_f)};
      Conditions c = ridge_forenoon();
      c.sun.poa_wpm2 = poa_wpm2;
      c.sun.slope_wpm2_per_s = 2.0;
      InitialConditions rest = ridge_rested();
      rest.poa_wpm2 = poa_wpm2;
      const CircuitState start = circuit.at_rest(rest, c);
      CircuitState state = start;
      double worst_j = 0.0;
      for (Nanos end{0}; end < 2s;) {
        if (end == 1s) c.loads[1].on = false;
        end += 5ms;
        const CircuitState before = state;
        ASSERT_EQ(circuit.advance(state, c, end, nullptr), AdvanceStatus::kOk);
        worst_j = std::max(worst_j, std::abs(circuit.books_residual_j(before, state)));
      }
      std::printf("%.0f W/m2, %.0e F: books of 5 ms open by %.1e J, of 2 s by %.1e J\n", poa_wpm2, input_f, worst_j,
                  circuit.books_residual_j(start, state));
      EXPECT_LT(std::abs(circuit.books_residual_j(start, state)), 4e-12);
    }
  }
}

// A step that misses hardly anything is not followed by a whole evaluation. The sun has gone on during it all the same.
TEST(GateStepper, TellsOfAMovingSunAsItIsAtTheEndOfAStep) {
  class Comparer : public StepObserver {
   public:
    explicit Comparer(const Circuit& circuit) : circuit_{circuit} {}
    void on_step(const CircuitState& state, const Conditions& c, const Probes& told) override {
      const Probes there = circuit_.probe(state, c);
      most_a = std::max(most_a, std::abs(told.panel_a - there.panel_a));
      most_of_battery_a = std::max(most_of_battery_a, std::abs(told.battery_a - there.battery_a));
    }
    double most_a{0.0}, most_of_battery_a{0.0};

   private:
    const Circuit& circuit_;
  };
  const Circuit circuit{ridge_repeater()};
  for (const double slope_wpm2_per_s : {-300.0, 100.0}) {
    Conditions c = ridge_forenoon();
    c.gate_on = true;
    CircuitState state = circuit.at_rest(ridge_rested(), c);
    c.sun.slope_wpm2_per_s = slope_wpm2_per_s;
    TransitionMemory memory{circuit.params()};
    Comparer comparer{circuit};
    for (Nanos end = 5ms; end <= 1s; end += 5ms) {
      ASSERT_EQ(circuit.advance(state, c, end, &comparer, &memory), AdvanceStatus::kOk);
    }
    std::printf("sun by %.0f W/m2 a second: panel current within %.1e A\n", slope_wpm2_per_s, comparer.most_a);
    EXPECT_LT(comparer.most_a, 1e-4) << slope_wpm2_per_s;
    EXPECT_LT(comparer.most_of_battery_a, 1e-6) << slope_wpm2_per_s;
  }
}

TEST(GateStepper, TakesFewStepsToAGateInterval) {
  class Counter : public StepObserver {
   public:
    void on_step(const CircuitState&, const Conditions&, const Probes&) override { ++steps; }
    int steps{0};
  };
  for (const double input_f : {2.2e-6, 220e-6}) {
    const Circuit circuit{ridge_repeater(input_f)};
    Conditions c = ridge_forenoon();
    CircuitState state = circuit.at_rest(ridge_rested(), c);
    Counter counter;
    for (int i = 0; i < 50; ++i) ASSERT_EQ(pwm_cycle(circuit, state, c, 0.5, &counter), AdvanceStatus::kOk);
    EXPECT_LT(counter.steps, 100 * (input_f < 1e-4 ? 15 : 25)) << input_f << " F";
  }
}

}  // namespace
}  // namespace dawnrig::plant
