// Plant: remembered transitions against the integrator that they stand in for.
#include "plant/transition_memory.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstring>
#include <string>
#include <vector>

#include "ridge.h"

namespace dawnrig::plant {
namespace {

using namespace std::chrono_literals;

constexpr Nanos kPeriod{2'040'816};

// The same days for two circuits, of which one remembers.
struct Pair {
  explicit Pair(const CircuitParams& params, const Conditions& conditions, const InitialConditions& rest)
      : circuit{params}, memory{params}, c{conditions}, plain{circuit.at_rest(rest, conditions)}, told{plain} {}

  // One PWM cycle of each; what is seen of the one that remembers goes to `observer`.
  void cycle(double duty, StepObserver* observer = nullptr) {
    const Nanos start = plain.now;
    const Nanos on{static_cast<std::int64_t>(duty * static_cast<double>(period.count()))};
    for (const bool gate : {true, false}) {
      c.gate_on = gate;
      const Nanos end = start + (gate ? on : period);
      ASSERT_EQ(circuit.advance(plain, c, end, nullptr), AdvanceStatus::kOk);
      ASSERT_EQ(circuit.advance(told, c, end, observer, &memory), AdvanceStatus::kOk);
      bus_v = std::max(bus_v, std::abs(told.bus_v - plain.bus_v));
      input_v = std::max(input_v, std::abs(told.input_v - plain.input_v));
      for (std::size_t i = 0; i < kMaxSense; ++i) pin_v = std::max(pin_v, std::abs(told.sense_v[i] - plain.sense_v[i]));
      for (std::size_t i = 0; i < kMaxLoads; ++i) {
        load = std::max(load, std::abs(told.load_state[i] - plain.load_state[i]));
      }
    }
  }

  Circuit circuit;
  TransitionMemory memory;
  Conditions c;
  CircuitState plain, told;
  Nanos period{kPeriod};
  double bus_v{0}, input_v{0}, pin_v{0}, load{0};  // the most they were apart at any edge
};

struct Day {
  std::string name;
  CircuitParams params{ridge_repeater()};
  Conditions conditions{ridge_forenoon()};
  InitialConditions rest{ridge_rested()};
};

std::vector<Day> days() {
  std::vector<Day> all{{"bright"},     {"large input capacitor"}, {"full battery"},     {"dusk"},
                       {"lamp on"},    {"offset diode"},          {"sense wire open"},  {"warm heat sink"},
                       {"long cable"}, {"loose contact"},         {"corroded contact"}, {"crowded"}};
  all[1].params = ridge_repeater(220e-6);
  all[2].rest.soc_frac = 0.999;
  all[3].conditions.sun.poa_wpm2 = all[3].rest.poa_wpm2 = 12.0;
  all[4].conditions.loads[2].on = true;
  all[5].params.sense[0].network = OffsetDividerParams{15.0, 5e-3, 0.05, 0.0, 0.01, 33e3, 11e3, 68e-9};
  all[6].conditions.sense_faults[0] = SenseFaultKind::kOpen;
  all[7].params.stage.heat_sink = HeatSinkParams{20.0, 0.02};  // follows the sun within the test
  all[7].params.sense.push_back({SenseNode::kStageTemperature, ThermistorInputParams{4700.0, 10e3, 3950.0, 100e-9}});
  all[8].conditions.battery_cable_scale = 3.0;
  // The bus then goes far, and the battery's current turns around in every cycle.
  all[9].conditions.battery_contact_ohm = 0.05;
  all[10].conditions.battery_contact_ohm = 0.2;
  all[11].params = crowded_ridge_repeater();
  for (std::size_t i = 4; i < kMaxLoads; ++i) all[11].conditions.loads[i].on = true;
  return all;
}

TEST(TransitionMemory, KeepsTheBusWithinATenthOfAMillivoltUnderHuntingDutyAndMovingSun) {
  for (const Day& day : days()) {
    Pair pair{day.params, day.conditions, day.rest};
    for (int i = 0; i < 3000; ++i) {
      pair.c.sun = {pair.plain.now, day.conditions.sun.poa_wpm2 * (1.0 + 0.2 * std::sin(0.002 * i)), 0.0};
      pair.cycle(0.35 + 0.01 * ((i * 7) % 11) + 0.1 * std::sin(0.01 * i));
    }
    std::printf("remembered transitions, %s: bus within %.4f mV, input %.4f mV, pins %.4f mV; %d of 6000 remembered\n",
                day.name.c_str(), 1e3 * pair.bus_v, 1e3 * pair.input_v, 1e3 * pair.pin_v,
                static_cast<int>(pair.memory.recalled()));
    EXPECT_LT(pair.bus_v, 1e-4) << day.name;
    EXPECT_LT(pair.input_v, 5e-3) << day.name;
    // A thermistor on the heat sink feels steps of a quarter of a kelvin.
    EXPECT_LT(pair.pin_v, day.params.stage.heat_sink ? 0.02 : 1e-4) << day.name;
    EXPECT_LT(pair.load, 1e-4) << day.name;
    const Books& a = pair.plain.books;
    const Books& b = pair.told.books;
    const double net_ah = a.battery_charge_ah - a.battery_discharge_ah;
    EXPECT_NEAR(b.battery_charge_ah - b.battery_discharge_ah, net_ah, 1e-5 * (std::abs(net_ah) + a.battery_charge_ah))
        << day.name;
    EXPECT_NEAR(b.battery_charge_ah, a.battery_charge_ah, 1e-5 * a.battery_charge_ah) << day.name;
    EXPECT_NEAR(b.panel_j / a.panel_j, 1.0, 1e-5) << day.name;
    EXPECT_NEAR(b.stage_j / a.stage_j, 1.0, 1e-4) << day.name;
    EXPECT_NEAR(pair.told.stage_degc, pair.plain.stage_degc, 0.01) << day.name;
    EXPECT_LT(std::abs(pair.circuit.books_residual_j(CircuitState{}, pair.told) -
                       pair.circuit.books_residual_j(CircuitState{}, pair.plain)),
              1e-6 * a.panel_j)
        << day.name << ": the books that remembered transitions leave open";
  }
}

// Then there are more transitions, each with its error, to a time constant of a pin or a battery.
TEST(TransitionMemory, KeepsTheBusAsCloselyUnderFasterPwm) {
  for (const int us : {64, 128, 255, 510}) {
    Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
    pair.period = Nanos{1000 * us};
    for (int i = 0; i < 1'000'000 / us; ++i) {
      const int ms = i * us / 1000;
      pair.cycle(0.35 + 0.01 * ((ms / 12 * 7) % 11) + 0.1 * std::sin(0.005 * ms));
    }
    std::printf("PWM of %d us: bus within %.4f mV, pins %.4f mV; %d remembered\n", us, 1e3 * pair.bus_v,
                1e3 * pair.pin_v, static_cast<int>(pair.memory.recalled()));
    EXPECT_LT(pair.bus_v, 1e-4) << us;
    EXPECT_LT(pair.pin_v, 1e-4) << us;
    EXPECT_NEAR(pair.told.books.panel_j / pair.plain.books.panel_j, 1.0, 1e-5) << us;
    EXPECT_GT(pair.memory.recalled(), 200'000 / us) << us;
  }
}

TEST(TransitionMemory, StandsInForTheIntegratorNearlyAlwaysInSteadyRegulation) {
  Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int i = 0; i < 3000; ++i) pair.cycle(0.44 + 0.002 * ((i / 8) % 3));
  EXPECT_GT(pair.memory.recalled(), 5600);
  EXPECT_LT(pair.memory.built(), 100) << "what is built and seldom used costs more than it saves";
}

TEST(TransitionMemory, StaysTrueForHoursBecauseItsErrorsAreJudgedByWhatTheyAddUpTo) {
  Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int i = 0; i < 30000; ++i) pair.cycle(0.44);  // the battery's fast polarisation has seventeen of its times
  EXPECT_LT(pair.bus_v, 3e-5);
  EXPECT_NEAR(pair.told.battery.v_fast_v, pair.plain.battery.v_fast_v, 3e-5);
  EXPECT_NEAR(pair.told.battery.soc_frac, pair.plain.battery.soc_frac, 2e-9);
}

// A current that turns around after each edge meets the battery's other resistance for a moment, a thousand times in
// the time of its polarisation.
TEST(TransitionMemory, KeepsTheBusBehindAPoorContactBecauseEveryTurnOfTheCurrentIsFollowed) {
  for (const double contact_ohm : {0.02, 0.05, 0.2}) {
    for (const double duty : {0.3, 0.44, 0.6}) {
      Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
      pair.c.battery_contact_ohm = contact_ohm;
      pair.c.sun.poa_wpm2 = 800.0;
      for (int i = 0; i < 1500; ++i) pair.cycle(duty);
      EXPECT_LT(pair.bus_v, 1e-4) << contact_ohm << " ohm, duty " << duty;
      EXPECT_LT(pair.pin_v, 3e-5) << contact_ohm << " ohm, duty " << duty;
    }
  }
}

TEST(TransitionMemory, ForgetsWhatItKnewUnderOtherConditions) {
  Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int i = 0; i < 100; ++i) pair.cycle(0.4);
  pair.bus_v = pair.input_v = 0.0;
  pair.c.battery_cable_scale = 5.0;
  for (int i = 0; i < 100; ++i) pair.cycle(0.4);
  pair.c.load_switch_on = false;
  for (int i = 0; i < 100; ++i) pair.cycle(0.4);
  pair.c.sense_faults[1] = SenseFaultKind::kShortToGround;
  for (int i = 0; i < 100; ++i) pair.cycle(0.4);
  EXPECT_LT(pair.bus_v, 1e-4);
  EXPECT_LT(pair.input_v, 5e-3);
  EXPECT_GT(pair.memory.recalled(), 400);
}

TEST(TransitionMemory, TellsOfEachInstantWhatTheCircuitShowsThere) {
  class Check : public StepObserver {
   public:
    explicit Check(const Circuit& circuit) : circuit_{circuit} {}
    void on_step(const CircuitState& state, const Conditions& c, const Probes& told) override {
      const Probes shown = circuit_.probe(state, c);
      const auto close = [&](double a, double b, double most, const char* what) {
        if (!(std::abs(a - b) <= most) && bad.empty()) {
          bad = std::string{what} + " is told as " + std::to_string(a) + " and shown as " + std::to_string(b) + " at " +
                std::to_string(state.now.count()) + " ns";
        }
      };
      close(told.bus_v, shown.bus_v, 1e-9, "bus_v");
      close(told.terminal_v, shown.terminal_v, 1e-5, "terminal_v");
      close(told.battery_a, shown.battery_a, 1e-3, "battery_a");
      close(told.panel_a, shown.panel_a, 5e-3, "panel_a");
      close(told.panel_v, shown.panel_v, 1e-3, "panel_v");
      // While the capacitors level out hundreds of amperes flow; a millivolt between them is a tenth of one.
      close(told.charge_a, shown.charge_a, 0.01 + 2e-3 * std::abs(shown.charge_a), "charge_a");
      close(told.load_a, shown.load_a, 1e-4, "load_a");
      close(told.load_v, shown.load_v, 1e-4, "load_v");
      close(told.gassing_a, shown.gassing_a, 1e-4, "gassing_a");
      for (std::size_t i = 0; i < 3; ++i) close(told.sense_v[i], shown.sense_v[i], 1e-9, "a pin");
      ++steps;
    }
    std::string bad;
    int steps{0};

   private:
    const Circuit& circuit_;
  };
  Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  Check check{pair.circuit};
  for (int i = 0; i < 400; ++i) pair.cycle(0.4 + 0.01 * (i % 5), &check);
  EXPECT_EQ(check.bad, "");
  EXPECT_GT(check.steps, 400 * 15) << "a trace sees the transition, not only its end";
}

TEST(TransitionMemory, ChangesNoBitByBeingWatched) {
  class Watcher : public StepObserver {
   public:
    void on_step(const CircuitState&, const Conditions&, const Probes&) override {}
  } watcher;
  Pair watched{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  Pair alone = watched;
  for (int i = 0; i < 300; ++i) {
    watched.cycle(0.4 + 0.01 * (i % 5), &watcher);
    alone.cycle(0.4 + 0.01 * (i % 5));
  }
  EXPECT_EQ(watched.told.bus_v, alone.told.bus_v);
  EXPECT_EQ(watched.told.books.panel_j, alone.told.books.panel_j);
  EXPECT_EQ(watched.told.books.battery_discharge_ah, alone.told.books.battery_discharge_ah);
}

TEST(TransitionMemory, GoesOnBitForBitWhereStateAndMemoryAreCopied) {
  Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int i = 0; i < 100; ++i) pair.cycle(0.4 + 0.01 * (i % 5));
  Pair branch = pair;
  for (int i = 0; i < 100; ++i) {
    pair.cycle(0.5);
    branch.cycle(0.5);
  }
  EXPECT_EQ(pair.told.bus_v, branch.told.bus_v);
  EXPECT_EQ(pair.told.battery.v_fast_v, branch.told.battery.v_fast_v);
  EXPECT_EQ(pair.told.books.loads_j, branch.told.books.loads_j);
}

TEST(TransitionMemory, IsItsOwnWhereTheOneItWasCopiedFromGoesOnUnderOtherConditions) {
  Pair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int i = 0; i < 100; ++i) pair.cycle(0.4 + 0.01 * (i % 5));
  Pair first = pair;
  Pair second = pair;
  for (int i = 0; i < 20; ++i) first.cycle(0.5);
  pair.c.ambient_degc += 30.0;
  pair.c.supply_v -= 0.5;
  for (int i = 0; i < 20; ++i) pair.cycle(0.5);
  for (int i = 0; i < 20; ++i) second.cycle(0.5);
  EXPECT_EQ(second.told.bus_v, first.told.bus_v);
  EXPECT_EQ(second.told.cell_degc, first.told.cell_degc);
  EXPECT_EQ(second.told.sense_v, first.told.sense_v);
}

TEST(TransitionMemory, SeesThatAConversionHasMovedAPin) {
  const AdcInputParams converter{14e-12, 1e4};
  CircuitParams params = ridge_repeater();
  // Between two conversions the pin comes back half of what the first has taken: whoever goes on from where the pin was
  // before loses a quarter of it.
  std::get<DividerParams>(params.sense[0].network).capacitance_f = 10e-9;
  Pair pair{params, ridge_forenoon(), ridge_rested()};
  double jump_v = 0.0;
  double apart_v = 0.0;
  for (int i = 0; i < 100; ++i) {
    pair.cycle(0.4);
    for (int k = 0; k < 20; ++k) {
      const Nanos at = pair.plain.now + 100us;
      for (CircuitState* state : {&pair.plain, &pair.told}) {
        TransitionMemory* const memory = state == &pair.told ? &pair.memory : nullptr;
        ASSERT_EQ(pair.circuit.advance(*state, pair.c, at, nullptr, memory), AdvanceStatus::kOk);
        const double before_v = state->sense_v[0];
        static_cast<void>(pair.circuit.sampled_v(*state, pair.c, 0, converter, 0.0));
        jump_v = std::max(jump_v, before_v - state->sense_v[0]);
      }
      apart_v = std::max(apart_v, std::abs(pair.told.sense_v[0] - pair.plain.sense_v[0]));
    }
  }
  std::printf("a pin that conversions move by %.3f mV: within %.4f mV of the integrator\n", 1e3 * jump_v,
              1e3 * apart_v);
  EXPECT_GT(jump_v, 1e-3);
  EXPECT_LT(apart_v, 2e-5);
}

TEST(TransitionMemory, LeavesALostBatteryAndAPanelInTheDarkToTheIntegrator) {
  for (const bool battery : {true, false}) {
    Conditions c = ridge_forenoon();
    (battery ? c.battery_connected : c.panel_connected) = false;
    Pair pair{ridge_repeater(), c, ridge_rested()};
    for (int i = 0; i < 50; ++i) pair.cycle(0.4);
    EXPECT_EQ(pair.memory.recalled(), 0);
    EXPECT_EQ(pair.told.bus_v, pair.plain.bus_v);
  }
}

}  // namespace
}  // namespace dawnrig::plant
