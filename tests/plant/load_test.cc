// Plant, load: every law above, at and below its dropout, and the inrush of a cold lamp.
#include "plant/load/load.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

TEST(Load, TakesItsRatedCurrentOrPowerAboveTheDropoutAndIsAResistanceWellBelow) {
  const LoadParams power{ConstantPowerParams{48.0, 10.0}, false};
  EXPECT_DOUBLE_EQ(load_at(power, true, 1.0, 24.0, 0.0).current_a, 2.0);
  EXPECT_DOUBLE_EQ(load_at(power, true, 0.5, 24.0, 0.0).current_a, 1.0);
  EXPECT_DOUBLE_EQ(load_at(power, true, 1.0, 10.0, 0.0).current_a, 4.8);
  EXPECT_DOUBLE_EQ(load_at(power, true, 1.0, 5.0, 0.0).current_a, 2.4);
  EXPECT_EQ(load_at(power, true, 1.0, 0.0, 0.0).current_a, 0.0);
  EXPECT_EQ(load_at(power, false, 1.0, 24.0, 0.0).current_a, 0.0);
  const LoadParams current{ConstantCurrentParams{3.0, 2.0}, false};
  EXPECT_DOUBLE_EQ(load_at(current, true, 1.0, 30.0, 0.0).current_a, 3.0);
  EXPECT_DOUBLE_EQ(load_at(current, true, 1.0, 1.0, 0.0).current_a, 1.5);
}

TEST(Load, EveryLawIsSmoothThroughItsDropout) {
  for (const LoadParams& load :
       {LoadParams{ConstantPowerParams{48.0, 10.0}, false}, LoadParams{ConstantCurrentParams{3.0, 10.0}, false}}) {
    for (double v = 8.5; v < 10.5; v += 0.01) {
      const double h = 1e-5;
      const LoadPoint q = load_at(load, true, 1.0, v, 0.0);
      const double slope =
          (load_at(load, true, 1.0, v + h, 0.0).current_a - load_at(load, true, 1.0, v - h, 0.0).current_a) / (2 * h);
      ASSERT_NEAR(slope, q.d_voltage, 1e-3) << "at " << v << " V";
    }
  }
}

TEST(Load, ALampSlopesAreThoseOfItsLaw) {
  const LoadParams lamp{LampParams{}, false};
  const double h = 1e-6;
  const LoadPoint q = load_at(lamp, true, 1.0, 20.0, 0.4);
  const LoadPoint up = load_at(lamp, true, 1.0, 20.0, 0.4 + h);
  const LoadPoint more = load_at(lamp, true, 1.0, 20.0 + h, 0.4);
  EXPECT_NEAR((up.current_a - q.current_a) / h, q.d_state, 1e-4);
  EXPECT_NEAR((up.state_per_s - q.state_per_s) / h, q.rate_d_state, 1e-3);
  EXPECT_NEAR((more.state_per_s - q.state_per_s) / h, q.rate_d_voltage, 1e-3);
  EXPECT_NEAR(load_at(lamp, true, 1.0, 18.0, settled_load_state(lamp, true, 18.0)).state_per_s, 0.0, 1e-9);
}

TEST(Load, AColdLampDrawsTheRatioOfItsResistancesAndThenSettlesAtItsRating) {
  CircuitParams p;
  p.stage.quiescent_a = 0.0;
  p.load_switch_ohm = 1e-3;
  p.loads.push_back({LampParams{27.0, 2.7, 25.5, 0.03}, false});
  const Circuit circuit{p};
  Conditions c;
  c.loads[0].on = true;
  CircuitState state = circuit.at_rest({}, c);
  EXPECT_DOUBLE_EQ(state.load_state[0], 1.0);
  c.load_switch_on = true;
  const Probes cold = circuit.probe(state, c);
  EXPECT_NEAR(cold.load_a, cold.load_v / 2.7, 1e-9);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(0.6), nullptr), AdvanceStatus::kOk);
  const Probes hot = circuit.probe(state, c);
  EXPECT_NEAR(cold.load_a / hot.load_a, 10.0, 0.3);
  const double y = 1.0 - settled_load_state(p.loads[0], true, hot.load_v);
  EXPECT_NEAR(1.0 - state.load_state[0], y, 1e-3);
  c.load_switch_on = false;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(0.63), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(state.load_state[0], 1.0 - y * std::exp(-1.0), 1e-3) << "cools with its own time constant";
}

TEST(Load, HangsBehindTheResistanceOfTheLoadSwitchUnlessWiredToTheBus) {
  CircuitParams p = hut();
  p.load_switch_ohm = 0.5;
  const Circuit circuit{p};
  Conditions c = sunny(0.0);
  const CircuitState state = circuit.at_rest(rested(0.0), c);
  const Probes on = circuit.probe(state, c);
  EXPECT_NEAR(on.load_v, on.bus_v * 24.0 / 24.5, 1e-9);
  EXPECT_NEAR(on.load_a, on.bus_v / 24.5 + 5.0 / on.bus_v, 1e-9);
  c.load_switch_on = false;
  EXPECT_NEAR(circuit.probe(state, c).load_a, 5.0 / on.bus_v, 1e-9);
}

TEST(Load, ConstantPowerDrawsMoreAsTheBatterySagsAndLetsGoBelowItsDropout) {
  CircuitParams p;
  p.stage.quiescent_a = 0.0;
  p.loads.push_back({ConstantPowerParams{50.0, 10.0}, true});
  const Circuit circuit{p};
  Conditions c;
  c.loads[0].on = true;
  CircuitState state = circuit.at_rest({}, c);
  const Probes before = circuit.probe(state, c);
  EXPECT_NEAR(before.load_a * before.bus_v, 50.0, 1e-9);
  c.battery_connected = false;
  double last = state.bus_v;
  for (int us = 100; us <= 20000; us += 100) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(us * 1e-6), nullptr), AdvanceStatus::kOk);
    ASSERT_GE(state.bus_v, -1e-4) << us << " us after the battery left";
    ASSERT_LE(state.bus_v, last + 1e-4);
    // Energy of the capacitor, spent at constant power until the dropout.
    const double square = before.bus_v * before.bus_v - 2.0 * 50.0 * us * 1e-6 / 220e-6;
    if (square > 110.0) {
      ASSERT_NEAR(state.bus_v, std::sqrt(square), 2e-4) << us << " us";
    }
    last = state.bus_v;
  }
  EXPECT_NEAR(last, 0.0, 1e-2);
}

}  // namespace
}  // namespace dawnrig::plant
