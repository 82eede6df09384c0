// Plant, battery: gassing figures, RC pairs in closed form, rest and bounds.
#include "plant/battery/battery.h"

#include <gtest/gtest.h>

#include <cmath>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

LeadAcidParams hundred_ah() {
  LeadAcidParams p;
  p.cells = 6;
  p.capacity_ah = 100.0;
  return p;
}

// A battery alone: connector open, no gas unless asked for.
CircuitParams alone(const LeadAcidParams& battery) {
  CircuitParams p;
  p.battery = battery;
  return p;
}

TEST(LeadAcid, GassesAsTheLawSaysPerCell) {
  const Battery battery{hundred_ah()};
  const double volts[] = {2.20, 2.30, 2.40, 2.50};
  const double milliamperes[] = {14.4, 43.2, 129.8, 389.9};  // 20 mA exp(11/V (U - 2.23 V))
  const double published[] = {14.5, 43.6, 131.0, 393.0};     // the same at 298 K in place of 25 degC
  for (int i = 0; i < 4; ++i) {
    EXPECT_NEAR(battery.gassing_a(6.0 * volts[i], 25.0) * 1e3, milliamperes[i], 0.006 * milliamperes[i]) << volts[i];
    EXPECT_NEAR(battery.gassing_a(6.0 * volts[i], 25.15) * 1e3, published[i], 0.01 * published[i]) << volts[i];
  }
}

TEST(LeadAcid, GassingDoublesEvery63MillivoltsAndEvery11Point6Kelvin) {
  const Battery battery{hundred_ah()};
  const double base = battery.gassing_a(6.0 * 2.3, 25.0);
  EXPECT_NEAR(battery.gassing_a(6.0 * (2.3 + 0.063), 25.0) / base, 2.0, 0.002);
  EXPECT_NEAR(battery.gassing_a(6.0 * 2.3, 25.0 + 11.55) / base, 2.0, 0.002);
}

TEST(LeadAcid, SlopesAreThoseOfTheRates) {
  const Battery battery{LeadAcidParams{}};
  for (const double a : {-4.0, -0.01, 0.01, 0.05, 7.0}) {
    const BatteryState x{0.93, 0.1, 0.2, 30.0};
    const auto at = [&](double da, double dsoc) {
      BatteryScratch s;
      BatteryState y = x;
      y.soc_frac += dsoc;
      y.v_slow_v -= dsoc * 12.0 * 0.15;  // same inner voltage: the gas stays the same
      return battery.at(y, a + da, 0.008, s);
    };
    const BatterySlopes q = battery.slopes(at(0, 0), 0.0);
    EXPECT_NEAR((at(1e-6, 0).fast_per_s - at(-1e-6, 0).fast_per_s) / 2e-6, q.fast_d_main, 1e-6) << a;
    EXPECT_NEAR((at(0, 1e-6).fast_per_s - at(0, -1e-6).fast_per_s) / 2e-6, q.fast_d_soc, 1e-6) << a;
    EXPECT_NEAR((at(1e-4, 0).soc_per_s - at(-1e-4, 0).soc_per_s) / 2e-4, q.soc_d_main, 1e-9) << a;
  }
}

TEST(LeadAcid, RelaxesOnOpenCircuitAsTwoExponentials) {
  LeadAcidParams b;
  b.gassing_a_per_100ah = 0.0;
  const Circuit circuit{alone(b)};
  Conditions c;
  c.battery_connected = false;
  CircuitState state = circuit.at_rest({}, c);
  const double ocv = circuit.probe(state, c).terminal_v;
  state.battery.v_fast_v = 0.4;
  state.battery.v_slow_v = -0.3;
  for (const double t : {0.001, 0.5, 3.0, 60.0, 900.0, 7200.0}) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(t), nullptr), AdvanceStatus::kOk);
    const double expected = ocv + 0.4 * std::exp(-t / b.tau_fast_s) - 0.3 * std::exp(-t / b.tau_slow_s);
    EXPECT_NEAR(circuit.probe(state, c).terminal_v, expected, 1e-4) << "after " << t << " s";
  }
}

TEST(LeadAcid, FallsUnderAConstantCurrentAsTheClosedFormOfItsTwoPairs) {
  LeadAcidParams b;
  b.gassing_a_per_100ah = 0.0;
  CircuitParams p = alone(b);
  p.stage.quiescent_a = 0.0;
  p.loads.push_back({ConstantCurrentParams{5.0, 1.0}, true});
  const Circuit circuit{p};
  Conditions c;
  CircuitState state = circuit.at_rest({}, c);
  const double rest = state.bus_v;
  c.loads[0].on = true;
  for (const double t : {0.01, 1.0, 30.0, 600.0, 3600.0}) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(t), nullptr), AdvanceStatus::kOk);
    const double soc_drop = 5.0 * t / 3600.0 / b.capacity_ah;
    const double drop = 5.0 * (b.r_series_ohm + p.battery_cable_ohm + b.r_fast_ohm * -std::expm1(-t / b.tau_fast_s) +
                               b.r_slow_ohm * -std::expm1(-t / b.tau_slow_s)) +
                        b.cells * (b.cell_ocv_full_v - b.cell_ocv_empty_v) * soc_drop;
    const double warmed_v = b.cells * b.ocv_tempco_v_per_k * (state.battery.battery_degc - 25.0);
    EXPECT_NEAR(state.bus_v, rest - drop + warmed_v, 1e-4) << "after " << t << " s";
    EXPECT_NEAR(state.battery.soc_frac, 0.8 - soc_drop, 1e-7);
  }
  EXPECT_NEAR(state.books.battery_discharge_ah, 5.0, 1e-6);
  EXPECT_EQ(state.books.battery_charge_ah, 0.0);
}

TEST(LeadAcid, ChargeStaysWithinItsBoundsHoweverLongItIsPushed) {
  CircuitParams p;
  LeadAcidParams b;
  b.capacity_ah = 10.0;
  p.battery = b;
  p.loads.push_back({ResistiveParams{4.0}, true});
  const Circuit circuit{p};
  Conditions c;
  c.gate_on = true;
  c.sun.poa_wpm2 = 1000.0;
  CircuitState state = circuit.at_rest(rested(1000.0), c);
  for (int hour = 1; hour <= 4; ++hour) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(hour * 3600.0), nullptr), AdvanceStatus::kOk);
    ASSERT_LE(state.battery.soc_frac, 1.0);
  }
  EXPECT_GT(state.battery.soc_frac, 0.999);
  c.sun.poa_wpm2 = 0.0;
  c.loads[0].on = true;
  for (int hour = 5; hour <= 10; ++hour) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(hour * 3600.0), nullptr), AdvanceStatus::kOk);
    ASSERT_GE(state.battery.soc_frac, 0.0);
  }
  EXPECT_LT(state.battery.soc_frac, 0.001);
}

TEST(LeadAcid, WarmsTowardsTheLossesAndHoldsATemperatureItIsHeldAt) {
  LeadAcidParams b;
  b.gassing_a_per_100ah = 0.0;
  b.heat_capacity_j_per_k = 100.0;
  CircuitParams p = alone(b);
  p.stage.quiescent_a = 0.0;
  p.loads.push_back({ConstantCurrentParams{10.0, 1.0}, true});
  const Circuit circuit{p};
  Conditions c;
  c.loads[0].on = true;
  CircuitState state = circuit.at_rest({}, c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(6000.0), nullptr), AdvanceStatus::kOk);
  const double loss_w = 100.0 * (b.r_series_ohm + b.r_fast_ohm + b.r_slow_ohm);
  EXPECT_NEAR(state.battery.battery_degc, 25.0 + loss_w * b.thermal_resistance_k_per_w, 0.01);
  c.battery_held_at_temperature = true;
  c.battery_held_degc = -7.0;
  EXPECT_EQ(circuit.probe(state, c).battery_degc, -7.0);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(7000.0), nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(state.battery.battery_degc, -7.0);
}

TEST(LeadAcid, AcceptsLessChargeNearFull) {
  CircuitParams p;
  const Circuit circuit{p};
  Conditions c;
  c.gate_on = true;
  c.sun.poa_wpm2 = 500.0;
  const auto rise = [&](double soc) {
    InitialConditions i = rested(500.0);
    i.soc_frac = soc;
    CircuitState state = circuit.at_rest(i, c);
    EXPECT_EQ(circuit.advance(state, c, from_seconds(10.0), nullptr), AdvanceStatus::kOk);
    return state.battery.v_fast_v / circuit.probe(state, c).battery_a;
  };
  EXPECT_NEAR(rise(0.3), 0.006, 0.001);
  EXPECT_NEAR(rise(0.97), 0.006 + 0.3 * std::exp(-0.3), 0.006);
}

}  // namespace
}  // namespace dawnrig::plant
