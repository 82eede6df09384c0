// Plant, battery: the protection board of a LiFePO4 battery, in the circuit: levels, delays, releases, load dump.
#include "plant/battery/protection.h"

#include <gtest/gtest.h>

#include <algorithm>

#include "fixture.h"
#include "plant/circuit.h"

namespace dawnrig::plant {
namespace {

class Log : public StepObserver {
 public:
  explicit Log(const Circuit& circuit) : circuit_{circuit} {}
  void on_step(const CircuitState& state, const Conditions& c, const Probes&) override {
    const Probes p = circuit_.probe(state, c);
    highest_bus_v = std::max(highest_bus_v, p.bus_v);
    if (p.battery_open && opened == kNever) {
      opened = state.now;
      cause = state.protection.cause;
    }
    if (!p.battery_open && opened != kNever && closed == kNever) closed = state.now;
    if (!p.battery_open && closed == kNever) {
      const double cell_v = p.terminal_v / 8.0;
      if (cell_v > 3.65 && passed_high == kNever) passed_high = state.now;
      if (cell_v < 2.5 && passed_low == kNever) passed_low = state.now;
      if (cell_v <= 3.65) passed_high = kNever;
      if (cell_v >= 2.5) passed_low = kNever;
    }
  }
  Nanos opened{kNever}, closed{kNever}, passed_high{kNever}, passed_low{kNever};
  ProtectionCause cause{};
  double highest_bus_v{0.0};

 private:
  const Circuit& circuit_;
};

CircuitParams with_board() {
  CircuitParams p = hut();
  p.battery = usual_lifepo4(8.0, 100.0);
  return p;
}

void run(const Circuit& circuit, CircuitState& state, const Conditions& c, double for_s, StepObserver& log) {
  ASSERT_EQ(circuit.advance(state, c, state.now + from_seconds(for_s), &log), AdvanceStatus::kOk);
}

TEST(ProtectionBoard, OpensASecondAfterTheCellsPassTheirHighestVoltageAndTheBusFliesUp) {
  const Circuit circuit{with_board()};
  Conditions c = sunny(900.0);
  c.loads[0].on = c.loads[1].on = false;
  c.gate_on = true;
  CircuitState state = circuit.at_rest({.soc_frac = 0.985, .poa_wpm2 = 900.0}, c);
  Log log{circuit};
  run(circuit, state, c, 1800.0, log);
  ASSERT_NE(log.opened, kNever);
  EXPECT_EQ(log.cause, ProtectionCause::kHighVoltage);
  ASSERT_NE(log.passed_high, kNever);
  EXPECT_NEAR(in_seconds(log.opened - log.passed_high), 1.0, 2e-3) << "delay, within the millisecond it is found in";
  EXPECT_GT(log.highest_bus_v, 38.0) << "nothing but the panel holds the bus now";
  EXPECT_EQ(circuit.probe(state, c).battery_a, 0.0);
}

TEST(ProtectionBoard, ClosesAgainWhenTheCellsHaveRelaxedToTheReleaseLevel) {
  CircuitParams p = with_board();
  std::get<LiFePo4Params>(p.battery).protection.high_release_cell_v = 3.638;
  const Circuit circuit{p};
  Conditions c = sunny(900.0);
  c.loads[0].on = c.loads[1].on = false;
  c.gate_on = true;
  CircuitState state = circuit.at_rest({.soc_frac = 0.985, .poa_wpm2 = 900.0}, c);
  Log log{circuit};
  while (log.opened == kNever && state.now < from_seconds(1800.0)) run(circuit, state, c, 1.0, log);
  ASSERT_TRUE(state.protection.open);
  Nanos below = kNever;  // while the sun holds the wires up, so that no load asks for the battery
  EXPECT_GT(circuit.probe(state, c).terminal_v, 8.0 * 3.638);
  while (log.closed == kNever && state.now < from_seconds(7200.0)) {
    if (below == kNever && circuit.probe(state, c).terminal_v <= 8.0 * 3.638) below = state.now;
    run(circuit, state, c, 0.05, log);
  }
  ASSERT_NE(log.closed, kNever);
  ASSERT_NE(below, kNever);
  EXPECT_NEAR(in_seconds(log.closed - below), 1.0, 0.06);
}

TEST(ProtectionBoard, OpensWhenDischargedTooFarAndClosesForACharger) {
  const Circuit circuit{with_board()};
  Conditions c = sunny(0.0);
  CircuitState state = circuit.at_rest({.soc_frac = 0.012, .poa_wpm2 = 0.0}, c);
  Log log{circuit};
  run(circuit, state, c, 3 * 3600.0, log);
  ASSERT_NE(log.opened, kNever);
  EXPECT_EQ(log.cause, ProtectionCause::kLowVoltage);
  ASSERT_NE(log.passed_low, kNever);
  EXPECT_NEAR(in_seconds(log.opened - log.passed_low), 1.0, 2e-3);
  EXPECT_LT(state.bus_v, 1.0) << "the loads have emptied the bus";
  c.loads[0].on = c.loads[1].on = false;
  c.sun.poa_wpm2 = 500.0;
  c.gate_on = true;
  run(circuit, state, c, 60.0, log);
  EXPECT_NE(log.closed, kNever);
  EXPECT_GT(circuit.probe(state, c).battery_a, 1.0);
}

TEST(ProtectionBoard, RefusesChargeBelowFreezingButFeedsTheLoads) {
  const Circuit circuit{with_board()};
  Conditions c = sunny(0.0);
  c.ambient_degc = -5.0;
  c.battery_held_at_temperature = true;
  c.battery_held_degc = -5.0;
  CircuitState state = circuit.at_rest({.soc_frac = 0.6, .battery_degc = -5.0, .poa_wpm2 = 0.0}, c);
  Log log{circuit};
  run(circuit, state, c, 60.0, log);
  EXPECT_EQ(log.opened, kNever) << "discharging is allowed";
  EXPECT_LT(circuit.probe(state, c).battery_a, -0.1);
  c.sun.poa_wpm2 = 900.0;
  c.gate_on = true;
  const Nanos sun_up = state.now;
  run(circuit, state, c, 1.0, log);
  ASSERT_NE(log.opened, kNever);
  EXPECT_EQ(log.cause, ProtectionCause::kColdCharge);
  EXPECT_LT(in_seconds(log.opened - sun_up), 2e-3) << "it has been cold for longer than the delay";
  c.gate_on = false;
  run(circuit, state, c, 5.0, log);
  EXPECT_NE(log.closed, kNever) << "a load that pulls the wires below the cells is fed";
  EXPECT_LT(circuit.probe(state, c).battery_a, -0.1);
}

TEST(ProtectionBoard, OpensWhenHotAndClosesWhenCooled) {
  const Circuit circuit{with_board()};
  Conditions c = sunny(0.0);
  c.battery_held_at_temperature = true;
  c.battery_held_degc = 61.0;
  CircuitState state = circuit.at_rest({.soc_frac = 0.6, .poa_wpm2 = 0.0}, c);
  Log log{circuit};
  run(circuit, state, c, 10.0, log);
  ASSERT_NE(log.opened, kNever);
  EXPECT_EQ(log.cause, ProtectionCause::kHot);
  EXPECT_NEAR(in_seconds(log.opened), 2.0, 2e-3);
  c.battery_held_degc = 51.0;
  run(circuit, state, c, 60.0, log);
  EXPECT_TRUE(state.protection.open) << "above the release";
  c.battery_held_degc = 49.0;
  const Nanos cooled = state.now;
  run(circuit, state, c, 60.0, log);
  ASSERT_NE(log.closed, kNever);
  EXPECT_NEAR(in_seconds(log.closed - cooled), 1.0, 2e-3);
}

TEST(ProtectionBoard, StartsItsDelayAnewWhenTheConditionEndsInBetween) {
  const Protection board{ProtectionParams{}};
  ProtectionState state;
  const ProtectionView high{3.70, 5.0, 25.0, 0.0};
  const ProtectionView fine{3.60, 5.0, 25.0, 0.0};
  EXPECT_FALSE(board.observe(state, Nanos{0}, high));
  EXPECT_EQ(board.due(state, Nanos{0}), from_seconds(1.0));
  EXPECT_FALSE(board.observe(state, from_seconds(0.9), fine));
  EXPECT_FALSE(board.observe(state, from_seconds(0.95), high));
  EXPECT_FALSE(board.observe(state, from_seconds(1.94), high));
  EXPECT_TRUE(board.observe(state, from_seconds(1.95), high));
  EXPECT_TRUE(state.open);
}

TEST(ProtectionBoard, ActsAtTheSameInstantHoweverTheRunIsCutUp) {
  const Circuit circuit{with_board()};
  Conditions c = sunny(900.0);
  c.loads[0].on = c.loads[1].on = false;
  c.gate_on = true;
  CircuitState whole = circuit.at_rest({.soc_frac = 0.985, .poa_wpm2 = 900.0}, c);
  CircuitState cut = whole;
  Log of_whole{circuit};
  Log of_cut{circuit};
  run(circuit, whole, c, 900.0, of_whole);
  for (int i = 0; i < 900; ++i) run(circuit, cut, c, 1.0, of_cut);
  ASSERT_NE(of_whole.opened, kNever);
  EXPECT_NEAR(in_seconds(of_whole.opened), in_seconds(of_cut.opened), 0.05);
}

}  // namespace
}  // namespace dawnrig::plant
