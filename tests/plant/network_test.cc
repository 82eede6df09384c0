// Plant, sense: resting voltages, time constants, faults and the pin's limits.
#include "plant/sense/network.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

double offset_by_bisection(const OffsetDividerParams& p, double node_v, double degc) {
  const double vz = p.diode_v + p.diode_tempco_v_per_k * (degc - 25.0);
  const double ln_i = bisect(-2000.0, 0.0, [&](double x) {
    const double i = std::exp(x);
    return vz - p.knee_v * (std::log(p.diode_test_a) - x) + p.diode_series_ohm * (i - p.diode_test_a) +
           i * (p.r_top_ohm + p.r_bottom_ohm) - node_v;
  });
  return std::exp(ln_i) * p.r_bottom_ohm;
}

TEST(SenseNetwork, ADividerRestsAtItsRatioAndAThermistorAtItsOwn) {
  const SenseParams divider{SenseNode::kBus, DividerParams{}};
  EXPECT_NEAR(resting_pin_v(divider, 27.0, 5.0, 25.0), 3.0, 1e-12);
  const SenseParams thermistor{SenseNode::kBatteryTemperature, ThermistorInputParams{}};
  EXPECT_NEAR(resting_pin_v(thermistor, 25.0, 5.0, 25.0), 2.5, 1e-12);
  for (const double degc : {-20.0, 0.0, 40.0, 60.0}) {
    const double ohm = 10e3 * std::exp(3950.0 * (1.0 / (degc + 273.15) - 1.0 / 298.15));
    EXPECT_NEAR(resting_pin_v(thermistor, degc, 5.0, 25.0), 5.0 * ohm / (ohm + 10e3), 1e-12) << degc;
  }
}

TEST(SenseNetwork, AnOffsetDiodeRestsWhereBisectionFindsItAtEveryVoltageAndTemperature) {
  const OffsetDividerParams p;
  const SenseParams params{SenseNode::kBus, p};
  for (const double degc : {-20.0, 25.0, 60.0}) {
    for (double v = 10.0; v <= 32.0; v += 0.5) {
      ASSERT_NEAR(resting_pin_v(params, v, 5.0, degc), offset_by_bisection(p, v, degc), 1e-9)
          << v << " V, " << degc << " degC";
    }
  }
  EXPECT_NEAR(resting_pin_v(params, 0.0, 5.0, 25.0), 0.0, 1e-30);
  EXPECT_LT(resting_pin_v(params, 14.0, 5.0, 25.0), 1e-3);
}

TEST(SenseNetwork, APinNeverLeavesTheLimitsOfItsProtection) {
  EXPECT_DOUBLE_EQ(resting_pin_v({SenseNode::kBus, DividerParams{}}, 90.0, 5.0, 25.0), 5.3);
  EXPECT_DOUBLE_EQ(resting_pin_v({SenseNode::kBus, DividerParams{}}, -9.0, 5.0, 25.0), -0.3);
  CircuitParams p;
  p.sense.push_back({SenseNode::kBus, DividerParams{10e3, 15e3, 100e-9}});
  const Circuit circuit{p};
  const Conditions c;
  CircuitState state = circuit.at_rest({}, c);
  EXPECT_DOUBLE_EQ(circuit.probe(state, c).sense_v[0], 5.3);
  state.sense_v[0] = 0.0;
  const double rest_v = state.bus_v * 0.6;
  const double tau = 6e3 * 100e-9;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(2e-4), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(state.sense_v[0], rest_v * -std::expm1(-2e-4 / tau), 1e-3) << "rises freely below the limit";
  ASSERT_EQ(circuit.advance(state, c, from_seconds(5e-3), nullptr), AdvanceStatus::kOk);
  EXPECT_LT(state.sense_v[0], 5.31);
  EXPECT_DOUBLE_EQ(circuit.probe(state, c).sense_v[0], 5.3);
}

TEST(SenseNetwork, ALeakingPinIsOffByItsLeakTimesTheSourceAndNoFurtherThanItsRails) {
  SenseParams p{SenseNode::kBus, DividerParams{100e3, 15e3, 47e-9}, 1e-6, 10.0};
  const double source_ohm = 100e3 * 15e3 / 115e3;
  const double ideal_v = 28.8 * 15.0 / 115.0;
  EXPECT_NEAR(resting_pin_v(p, 28.8, 5.0, 25.0), ideal_v - 1e-6 * source_ohm, 1e-12) << "13 mV, 2.7 codes";
  EXPECT_NEAR(resting_pin_v(p, 28.8, 5.0, 55.0), ideal_v - 8e-6 * source_ohm, 1e-12) << "doubles each 10 K";
  p.pin_leak_a = -1e-6;
  EXPECT_NEAR(resting_pin_v(p, 28.8, 5.0, 25.0), ideal_v + 1e-6 * source_ohm, 1e-12);
  p = {SenseNode::kBus, DividerParams{100e6, 100e6, 47e-9}, 1e-6, 0.0};
  const double low_v = resting_pin_v(p, 3.0, 5.0, 25.0);
  EXPECT_GT(low_v, 0.0) << "a leak to ground does not pull below ground";
  EXPECT_NEAR(1e-6 * -std::expm1(-low_v / 0.0257), (3.0 - 2.0 * low_v) / 100e6, 1e-14);
  p.pin_leak_a = -1e-6;
  EXPECT_LT(resting_pin_v(p, 3.0, 5.0, 25.0), 5.0) << "nor one from the supply above it";
}

TEST(SenseNetwork, ALeakTakesAnOpenPinAwayAtTheRateOfItsCurrent) {
  CircuitParams p;
  p.sense.push_back({SenseNode::kBus, DividerParams{100e3, 1e8, 100e-9}, 1e-6, 0.0});
  const Circuit circuit{p};
  Conditions c;
  c.supply_v = 30.0;
  CircuitState state = circuit.at_rest({}, c);
  const double start_v = state.sense_v[0];
  c.sense_faults[0] = SenseFaultKind::kOpen;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(0.5), nullptr), AdvanceStatus::kOk);
  const double tau_s = 1e8 * 100e-9;
  const double end_v = (start_v + 1e-6 * 1e8) * std::exp(-0.5 / tau_s) - 1e-6 * 1e8;
  EXPECT_NEAR(state.sense_v[0], end_v, 1e-4) << "about 10 V per second";
  ASSERT_EQ(circuit.advance(state, c, from_seconds(10.0), nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(state.sense_v[0], 0.0, 1e-3);
}

TEST(SenseNetwork, ADividerFollowsAStepWithTheTimeConstantOfItsCapacitor) {
  CircuitParams p;
  p.sense.push_back({SenseNode::kBus, DividerParams{}});
  const Circuit circuit{p};
  const Conditions c;
  CircuitState state = circuit.at_rest({}, c);
  const double rest = state.sense_v[0];
  EXPECT_NEAR(rest, state.bus_v / 9.0, 1e-9);
  state.sense_v[0] = 0.0;
  const double tau = 120e3 * 15e3 / 135e3 * 100e-9;
  for (const double t : {1e-6, 1e-4, 1e-3, 4e-3, 2e-2}) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(t), nullptr), AdvanceStatus::kOk);
    ASSERT_NEAR(state.sense_v[0], rest * -std::expm1(-t / tau), 1e-4) << "after " << t << " s";
  }
}

// Most of the time a pin hardly moves from one look to the next.
TEST(SenseNetwork, FollowsAPinThatHardlyMovesToWhereALookAnewFindsIt) {
  ThermistorInputParams table;
  table.to_supply = true;
  table.r_series_ohm = 330.0;
  for (const SenseParams& params : {SenseParams{SenseNode::kBatteryTemperature, ThermistorInputParams{}},
                                    {SenseNode::kBatteryTemperature, table},
                                    {SenseNode::kBus, OffsetDividerParams{}},
                                    {SenseNode::kLoadCurrent, ShuntAmplifierParams{}}}) {
    const SenseChannel channel{params};
    SenseChannel::Scratch kept;
    SenseWorld world{26.0, 18.0, 18.0, 5.0, SenseFaultKind::kNone, 0.098};  // the amplifier leaves its lower limit
    double pin_v = 1.9;
    double furthest_v = 0.0;
    for (int i = 0; i < 30'000; ++i) {
      const double by = i % 1000 == 999 ? 1e-3 : 1e-7 * (i % 13);  // now and then a conversion
      pin_v += (i / 3000 % 2 == 0 ? by : -by) + 1e-9;
      world.node_v += by;
      world.thermistor_degc += 0.3 * by;
      world.sensed_a += 0.1 * by;
      if (i % 7000 == 6500) world.ambient_degc += 3.0;
      if (i % 9000 == 8500) world.supply_v -= 0.05;
      SenseChannel::Scratch none;
      const SensePoint q = channel.at(pin_v, world, kept);
      const SensePoint anew = channel.at(pin_v, world, none);
      furthest_v = std::fmax(furthest_v, std::abs(q.pin_per_s - anew.pin_per_s) / std::abs(anew.pin_d_pin));
      ASSERT_NEAR(q.node_a, anew.node_a, 1e-13) << "look " << i;
      ASSERT_NEAR(q.pin_d_pin / anew.pin_d_pin, 1.0, 1e-4) << "look " << i;
    }
    std::printf("node %d: rests within %.1e V of a look anew\n", static_cast<int>(params.node), furthest_v);
    ASSERT_LT(furthest_v, 1e-9) << "node " << static_cast<int>(params.node);
  }
}

TEST(SenseNetwork, AllKindsSettleInTheCircuitWhereTheyRestAlone) {
  CircuitParams p = hut();
  p.sense.push_back({SenseNode::kBus, OffsetDividerParams{}});
  const Circuit circuit{p};
  Conditions c = sunny(0.0);
  c.ambient_degc = 10.0;
  InitialConditions i = rested(0.0);
  i.battery_degc = 3.0;
  const CircuitState state = circuit.at_rest(i, c);
  const Probes q = circuit.probe(state, c);
  EXPECT_NEAR(q.sense_v[0], resting_pin_v(p.sense[0], q.bus_v, 5.0, 10.0), 1e-9);
  EXPECT_NEAR(q.sense_v[1], resting_pin_v(p.sense[1], q.input_v, 5.0, 10.0), 1e-9);
  EXPECT_NEAR(q.sense_v[2], resting_pin_v(p.sense[2], 3.0, 5.0, 10.0), 1e-9);
  EXPECT_NEAR(q.sense_v[3], resting_pin_v(p.sense[3], q.bus_v, 5.0, 10.0), 1e-9);
}

TEST(SenseNetwork, EveryFaultDoesWhatItsNameSays) {
  const Circuit circuit{hut()};
  Conditions c = sunny(0.0);
  const CircuitState start = circuit.at_rest(rested(0.0), c);
  const auto pins_after = [&](SenseFaultKind kind, double t) {
    CircuitState state = start;
    Conditions faulty = c;
    faulty.sense_faults[0] = faulty.sense_faults[2] = kind;
    faulty.loads[0].on = false;  // the bus rises a little
    EXPECT_EQ(circuit.advance(state, faulty, from_seconds(t), nullptr), AdvanceStatus::kOk);
    return state.sense_v;
  };
  EXPECT_NEAR(pins_after(SenseFaultKind::kOpen, 0.03)[0], 0.0, 1e-4);
  EXPECT_NEAR(pins_after(SenseFaultKind::kOpen, 0.03)[2], 5.0, 1e-4);
  EXPECT_NEAR(pins_after(SenseFaultKind::kOpen, 1.5e-3)[0], start.sense_v[0] * std::exp(-1.0), 1e-3);
  EXPECT_NEAR(pins_after(SenseFaultKind::kShortToGround, 1e-3)[0], 0.0, 1e-4);
  EXPECT_NEAR(pins_after(SenseFaultKind::kShortToGround, 1e-3)[2], 0.0, 1e-4);
  EXPECT_NEAR(pins_after(SenseFaultKind::kShortToSupply, 1e-3)[0], 5.0, 1e-4);
  EXPECT_EQ(pins_after(SenseFaultKind::kStuck, 1.0)[0], start.sense_v[0]);
  EXPECT_GT(std::abs(pins_after(SenseFaultKind::kNone, 1.0)[0] - start.sense_v[0]), 1e-3);
}

}  // namespace
}  // namespace dawnrig::plant
