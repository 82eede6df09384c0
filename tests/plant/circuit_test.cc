// Plant: the circuit as a whole: connectors, faults of the switch, ramps of the sun, rest, and what is refused.
#include "plant/circuit.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

TEST(Circuit, RestsWhereNothingMoves) {
  const Circuit circuit{hut()};
  const Conditions c = sunny(0.0);
  const CircuitState start = circuit.at_rest(rested(0.0), c);
  CircuitState state = start;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(1e-3), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(state.bus_v, start.bus_v, 2e-5);  // the battery has begun to give
  EXPECT_NEAR(state.input_v, start.input_v, 1e-6);
  const Probes p = circuit.probe(start, c);
  EXPECT_NEAR(p.battery_a + p.load_a + 0.005 + p.bus_v / 135e3, 0.0, 1e-9);
}

TEST(Circuit, ALostBatteryLetsTheBusRiseAtPanelCurrentOverCapacitanceToOpenCircuit) {
  CircuitParams p;
  p.stage.quiescent_a = 0.0;
  const Circuit circuit{p};
  Conditions c;
  c.sun.poa_wpm2 = 1000.0;
  c.gate_on = true;
  CircuitState state = circuit.at_rest(rested(1000.0), c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(0.01), nullptr), AdvanceStatus::kOk);
  const Probes with = circuit.probe(state, c);
  const Nanos lost = state.now;
  c.battery_connected = false;
  const Probes edge = circuit.probe(state, c);
  EXPECT_EQ(edge.battery_a, 0.0);
  EXPECT_NEAR(edge.terminal_v, with.terminal_v - 0.008 * with.battery_a, 1e-9) << "relaxes from its inner voltage";
  // Far below the knee the panel is nearly a current source into both capacitors.
  ASSERT_EQ(circuit.advance(state, c, lost + Nanos{100'000}, nullptr), AdvanceStatus::kOk);
  const double mean_a = 0.5 * (with.panel_a + circuit.probe(state, c).panel_a);
  EXPECT_NEAR(state.bus_v - with.bus_v, mean_a * 100e-6 / 222.2e-6, 0.03);
  ASSERT_EQ(circuit.advance(state, c, lost + Nanos{1'000'000}, nullptr), AdvanceStatus::kOk);
  const SingleDiodePanel panel{p.panel, p.panel_cable_ohm};
  PanelScratch s;
  const double voc = bisect(0.0, 80.0, [&](double v) { return -panel.at(v, 1000.0, state.cell_degc, s).current_a; });
  EXPECT_NEAR(state.input_v, voc, 0.05);
  EXPECT_GT(state.bus_v, voc - 0.4);
  EXPECT_LT(state.bus_v, voc);
}

TEST(Circuit, ALostBatteryLetsTheBusFallUnderLoadAsACapacitorInTheDark) {
  CircuitParams p;
  p.stage.quiescent_a = 0.0;
  p.loads.push_back({ResistiveParams{10.0}, true});
  const Circuit circuit{p};
  Conditions c;
  c.loads[0].on = true;
  CircuitState state = circuit.at_rest({}, c);
  const double start_v = state.bus_v;
  c.battery_connected = false;
  for (const double t : {1e-5, 1e-3, 5e-3, 0.05, 10.0}) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(t), nullptr), AdvanceStatus::kOk);
    ASSERT_NEAR(state.bus_v, start_v * std::exp(-t / 2.2e-3), 1e-4) << t;
  }
}

TEST(Circuit, AStuckSwitchIgnoresItsGate) {
  const Circuit circuit{hut()};
  Conditions c = sunny();
  const CircuitState state = circuit.at_rest(rested(), c);
  c.switch_fault = SwitchFaultKind::kStuckClosed;
  CircuitState closed = state;
  ASSERT_EQ(circuit.advance(closed, c, from_seconds(0.01), nullptr), AdvanceStatus::kOk);
  EXPECT_GT(circuit.probe(closed, c).battery_a, 4.0);
  c.switch_fault = SwitchFaultKind::kStuckOpen;
  c.gate_on = true;
  CircuitState open = state;
  ASSERT_EQ(circuit.advance(open, c, from_seconds(0.01), nullptr), AdvanceStatus::kOk);
  EXPECT_LT(circuit.probe(open, c).battery_a, 0.0);
}

TEST(Circuit, ADisconnectedPanelGivesNothingAndShowsItsOpenCircuitVoltage) {
  const Circuit circuit{hut()};
  Conditions c = sunny();
  const CircuitState state = circuit.at_rest(rested(), c);
  c.panel_connected = false;
  const Probes p = circuit.probe(state, c);
  EXPECT_EQ(p.panel_a, 0.0);
  EXPECT_NEAR(p.panel_v, state.input_v, 0.01);
  CircuitState later = state;
  ASSERT_EQ(circuit.advance(later, c, from_seconds(10.0), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(later.input_v, 0.0, 1e-3);
  EXPECT_NEAR(circuit.probe(later, c).panel_v, state.input_v, 0.1);
}

TEST(Circuit, TheNightDrawsNothingBackThroughAClosedSwitch) {
  const Circuit circuit{hut()};
  Conditions c = sunny(0.0);
  c.gate_on = true;
  CircuitState state = circuit.at_rest(rested(0.0), c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(3600.0), nullptr), AdvanceStatus::kOk);
  EXPECT_GE(state.books.stage_j, 0.0);
  EXPECT_LT(state.input_v, 1.0);
}

TEST(Circuit, ASunThatSetsAndRisesWithinOneAdvanceIsFollowedThroughTheDark) {
  const Circuit circuit{hut()};
  Conditions c = sunny(100.0);
  c.sun.slope_wpm2_per_s = -10.0;
  CircuitState state = circuit.at_rest(rested(100.0), c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(60.0), nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(circuit.probe(state, c).poa_wpm2, 0.0);
  EXPECT_NEAR(state.input_v, 0.0, 0.2);
  c.sun = {state.now, -50.0, 10.0};
  ASSERT_EQ(circuit.advance(state, c, from_seconds(80.0), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(circuit.probe(state, c).poa_wpm2, 150.0, 1e-6);
  EXPECT_GT(state.input_v, 30.0);
}

// In the dark, a ramp that is over or yet to rise above zero is none: the same bits as without it.
TEST(Circuit, ARampBelowTheHorizonLightsAndDarkensNothing) {
  const Circuit circuit{hut()};
  Conditions none = sunny(0.0);
  const CircuitState start = circuit.at_rest(rested(0.0), none);
  for (const Conditions::Sun sun : {Conditions::Sun{Nanos{0}, 0.0, -10.0}, Conditions::Sun{Nanos{0}, -200.0, 10.0}}) {
    Conditions ramp = none;
    ramp.sun = sun;
    for (const Nanos stretch : {Nanos{1'000'000}, Nanos{5'000'000'000}}) {
      CircuitState a = start;
      CircuitState b = start;
      for (int i = 1; i <= 3; ++i) {
        ASSERT_EQ(circuit.advance(a, none, i * stretch, nullptr), AdvanceStatus::kOk);
        ASSERT_EQ(circuit.advance(b, ramp, i * stretch, nullptr), AdvanceStatus::kOk);
        ASSERT_EQ(a.input_v, b.input_v) << "slope " << sun.slope_wpm2_per_s << ", to " << in_seconds(b.now) << " s";
        ASSERT_EQ(a.bus_v, b.bus_v) << "slope " << sun.slope_wpm2_per_s << ", to " << in_seconds(b.now) << " s";
        ASSERT_EQ(a.books.panel_j, b.books.panel_j) << "slope " << sun.slope_wpm2_per_s;
      }
    }
  }
}

TEST(Circuit, DuskWithinAnAdvanceIsAsGoodAsAnAdvanceThatEndsAtDusk) {
  const Circuit circuit{hut()};
  for (const double seconds : {10.0, 1e-3}) {  // either integrator
    Conditions c = sunny(100.0);
    c.sun.slope_wpm2_per_s = -100.0 / seconds;
    CircuitState through = circuit.at_rest(rested(100.0), c);
    CircuitState stopped = through;
    ASSERT_EQ(circuit.advance(through, c, from_seconds(2.0 * seconds), nullptr), AdvanceStatus::kOk);
    ASSERT_EQ(circuit.advance(stopped, c, from_seconds(seconds), nullptr), AdvanceStatus::kOk);
    c.sun = {};
    ASSERT_EQ(circuit.advance(stopped, c, from_seconds(2.0 * seconds), nullptr), AdvanceStatus::kOk);
    EXPECT_NEAR(through.input_v, stopped.input_v, 1e-3) << seconds << " s";
    EXPECT_NEAR(through.books.panel_j / stopped.books.panel_j, 1.0, 1e-5) << seconds << " s";
  }
}

TEST(Circuit, CellsWarmTowardsTheirNominalTemperatureWithALagOfFiveMinutes) {
  const Circuit circuit{CircuitParams{}};
  Conditions c;
  c.ambient_degc = 20.0;
  InitialConditions i;
  i.ambient_degc = 20.0;
  CircuitState state = circuit.at_rest(i, c);
  c.sun.poa_wpm2 = 800.0;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(300.0), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(state.cell_degc, 45.0 - 25.0 * std::exp(-1.0), 0.01);
}

TEST(Circuit, WornBatteryAndCorrodedCableScaleTheirResistances) {
  const Circuit circuit{hut()};
  Conditions c = sunny(0.0);
  const CircuitState state = circuit.at_rest(rested(0.0), c);
  c.battery_resistance_scale = 3.0;
  c.battery_cable_scale = 5.0;
  const Probes p = circuit.probe(state, c);
  EXPECT_NEAR(p.battery_a, (state.bus_v - 12.0 * (1.98 + 0.15 * 0.8)) / (0.024 + 0.05), 1e-9);
  EXPECT_NEAR(p.terminal_v, state.bus_v - 0.05 * p.battery_a, 1e-12);
}

TEST(Circuit, ReachingATimeAlreadyReachedChangesNothing) {
  const Circuit circuit{hut()};
  const Conditions c = sunny();
  CircuitState state = circuit.at_rest(rested(), c);
  const double before = state.bus_v;
  EXPECT_EQ(circuit.advance(state, c, Nanos{0}, nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(circuit.advance(state, c, Nanos{-5}, nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(state.bus_v, before);
}

TEST(Circuit, NotANumberStopsTheRunAtTheLastGoodState) {
  const Circuit circuit{hut()};
  const Conditions c = sunny();
  CircuitState state = circuit.at_rest(rested(), c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(1e-3), nullptr), AdvanceStatus::kOk);
  const CircuitState good = state;
  Conditions mad = c;
  mad.ambient_degc = kNan;
  EXPECT_EQ(circuit.advance(state, mad, from_seconds(2e-3), nullptr), AdvanceStatus::kNotANumber);
  EXPECT_EQ(state.now, good.now);
  EXPECT_EQ(state.bus_v, good.bus_v);
  state.bus_v = kNan;
  EXPECT_EQ(circuit.advance(state, c, from_seconds(2e-3), nullptr), AdvanceStatus::kNotANumber);
}

// A load that gives twice what its switch could carry leaves no voltage behind the switch at all.
TEST(Circuit, EquationsWithoutASolutionStopTheRunAtTheLastGoodState) {
  const Circuit circuit{hut()};
  const Conditions c = sunny();
  CircuitState state = circuit.at_rest(rested(), c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(1e-3), nullptr), AdvanceStatus::kOk);
  Conditions impossible = c;
  impossible.loads[0].scale = -2.0 * 24.0 / 0.01;
  for (const double seconds : {2e-3, 10.0}) {  // either integrator
    CircuitState tried = state;
    EXPECT_EQ(circuit.advance(tried, impossible, from_seconds(seconds), nullptr), AdvanceStatus::kNotConverged);
    EXPECT_EQ(tried.now, state.now);
    EXPECT_EQ(tried.bus_v, state.bus_v);
    EXPECT_EQ(tried.books.panel_j, state.books.panel_j);
    EXPECT_EQ(circuit.advance(tried, c, from_seconds(seconds), nullptr), AdvanceStatus::kOk) << "must recover";
  }
}

std::vector<std::string> complaints(const CircuitParams& p) {
  Problems problems;
  p.check(problems);
  std::vector<std::string> fields;
  for (const Problem& q : problems.list()) fields.push_back(q.field);
  return fields;
}

TEST(CircuitParamsCheck, FindsNothingWrongWithTheHut) {
  EXPECT_TRUE(complaints(hut()).empty());
}

TEST(CircuitParamsCheck, NamesEveryBadFieldAsTheSchemaDoes) {
  CircuitParams p = hut();
  p.panel.shunt_resistance_ohm = 0.0;
  p.panel.noct_degc = kNan;
  p.panel_cable_ohm = -1.0;
  p.battery_cable_ohm = std::numeric_limits<double>::infinity();
  p.stage.blocking_diode.saturation_current_a = 0.0;
  p.stage.output_capacitance_f = 1.0;
  p.load_switch_ohm = 0.0;
  LeadAcidParams b;
  b.cells = 5.5;
  b.cell_ocv_full_v = 1.95;
  b.tau_slow_s = kNan;
  p.battery = b;
  p.loads[1].kind = ConstantPowerParams{-1.0, 0.0};
  p.loads.push_back({LampParams{1.0, 2.0, 12.0, 0.03}, false});
  p.sense[0].network = DividerParams{0.0, 15e3, 1e-7};
  p.sense[1].node = SenseNode::kBatteryTemperature;
  p.sense[2].network = OffsetDividerParams{15.0, 5e-3, 0.0};
  const std::vector<std::string> expected = {"panel.shunt_resistance_ohm",
                                             "panel.noct_degc",
                                             "panel_cable_ohm",
                                             "battery_cable_ohm",
                                             "stage.output_capacitance_f",
                                             "stage.blocking_diode.saturation_current_a",
                                             "battery.cells",
                                             "battery.tau_slow_s",
                                             "battery.cell_ocv_full_v",
                                             "load_switch_ohm",
                                             "loads[1].constant_power.power_w",
                                             "loads[1].constant_power.dropout_v",
                                             "loads[2].lamp.cold_resistance_ohm",
                                             "sense[0].divider.r_top_ohm",
                                             "sense[1].node",
                                             "sense[2].offset_divider.knee_v",
                                             "sense[2].node"};
  EXPECT_EQ(complaints(p), expected);
}

TEST(CircuitParamsCheck, RefusesMoreLoadsOrChannelsThanThereIsRoomFor) {
  CircuitParams p;
  p.loads.resize(kMaxLoads + 1);
  p.sense.resize(kMaxSense + 1);
  EXPECT_EQ(complaints(p), (std::vector<std::string>{"loads", "sense"}));
}

TEST(CircuitParamsCheck, SaysTheValueAndWhatWouldBeRight) {
  LeadAcidParams b;
  b.r_series_ohm = -0.02;
  Problems problems;
  b.check(problems);
  ASSERT_EQ(problems.list().size(), 1U);
  EXPECT_EQ(problems.list()[0].message, "is -0.02, must be at least 1e-05");
}

}  // namespace
}  // namespace dawnrig::plant
