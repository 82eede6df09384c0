// Plant, battery: what has a closed form, the books of a week, and figures that cannot be.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "battery_bench.h"
#include "fixture.h"

namespace dawnrig::plant {
namespace {

Conditions apart(double ambient_degc = 25.0) {
  Conditions c;
  c.battery_connected = false;
  c.ambient_degc = ambient_degc;
  return c;
}

CircuitParams of(const BatteryParams& battery) {
  CircuitParams p;
  p.battery = battery;
  p.stage.quiescent_a = 0.0;
  return p;
}

TEST(Battery, LosesItsChargeByItselfAsAnExponential) {
  LiFePo4Params p;
  p.self_discharge_per_s = 1e-7;
  for (const double degc : {25.0, 35.0}) {
    const Circuit circuit{of(p)};
    Conditions c = apart(degc);
    c.battery_held_at_temperature = true;
    c.battery_held_degc = degc;
    CircuitState state = circuit.at_rest({.soc_frac = 0.9}, c);
    ASSERT_EQ(circuit.advance(state, c, from_seconds(30 * 86400.0), nullptr), AdvanceStatus::kOk);
    const double k = 1e-7 * std::exp(p.self_discharge_per_k * (degc - 25.0));
    const double expected = 0.9 * std::exp(-k * 30 * 86400.0);
    print_residual("self-discharge of a month against its exponential", state.battery.soc_frac - expected,
                   "of the charge");
    EXPECT_NEAR(state.battery.soc_frac, expected, 1e-5) << degc;
    EXPECT_NEAR(state.books.unstored_ah, (0.9 - state.battery.soc_frac) * p.capacity_ah, 1e-9) << degc;
  }
}

TEST(Battery, WarmsAsAStepThroughItsThermalResistance) {
  LeadAcidParams p;
  p.gassing_a_per_100ah = 0.0;
  p.heat_capacity_j_per_k = 5e3;
  const Circuit circuit{of(p)};
  Conditions c = apart(0.0);
  CircuitState state = circuit.at_rest({.battery_degc = 40.0}, c);
  double worst_k = 0.0;
  for (const double t : {60.0, 600.0, 2500.0, 9000.0}) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(t), nullptr), AdvanceStatus::kOk);
    worst_k = std::max(worst_k, std::abs(state.battery.battery_degc - 40.0 * std::exp(-t / 2500.0)));
  }
  print_residual("cooling against its exponential", worst_k, "K");
  EXPECT_LT(worst_k, 0.01);
}

TEST(Battery, TurnsItsHysteresisAroundAsAnExponentialOfTheChargeThatPassed) {
  LiFePo4Params p;
  p.self_discharge_per_s = 0.0;
  BatteryBench bench{p, 0.2};
  bench.x.hysteresis_frac = -0.5;
  bench.run(20.0, 1800.0);
  EXPECT_NEAR(bench.x.hysteresis_frac, 1.0 - 1.5 * std::exp(-10.0 / 5.0), 1e-6);
  bench.run(-40.0, 900.0);
  const double top = 1.0 - 1.5 * std::exp(-2.0);
  EXPECT_NEAR(bench.x.hysteresis_frac, -1.0 + (1.0 + top) * std::exp(-2.0), 1e-6);
}

TEST(Battery, ClosesItsHysteresisLoops) {
  LiFePo4Params p;
  p.self_discharge_per_s = 0.0;
  BatteryBench bench{p, 0.5};
  const auto loop = [&] {
    bench.run(20.0, 3600.0);
    const double up_v = bench.battery.inner_v(bench.x) - bench.x.v_fast_v - bench.x.v_slow_v -
                        bench.battery.ocv_v(bench.x.soc_frac, 25.0);
    bench.run(-20.0, 3600.0);
    const double down_v = bench.battery.inner_v(bench.x) - bench.x.v_fast_v - bench.x.v_slow_v -
                          bench.battery.ocv_v(bench.x.soc_frac, 25.0);
    return up_v - down_v;
  };
  for (int i = 0; i < 3; ++i) (void)loop();
  const double soc = bench.x.soc_frac;
  const double h = bench.x.hysteresis_frac;
  const double width_v = loop();
  print_residual("hysteresis loop left open", bench.x.hysteresis_frac - h, "of its half width");
  EXPECT_NEAR(bench.x.soc_frac, soc, 1e-9);
  EXPECT_NEAR(bench.x.hysteresis_frac, h, 1e-6);
  // Published: 5 to 30 mV per cell between charging and discharging, and it stays at rest.
  EXPECT_NEAR(width_v, 2.0 * 8.0 * p.hysteresis_v * (1.0 - 2.0 * std::exp(-4.0)), 1e-2 * width_v);
  bench.run(0.0, 7 * 86400.0, 30.0);
  EXPECT_NEAR(bench.x.hysteresis_frac, h, 1e-6);
}

TEST(Battery, HasMoreResistanceWhenColdAndWhenEmpty) {
  const LiFePo4Params p = usual_lifepo4(8.0, 100.0);
  const Battery battery{p};
  EXPECT_NEAR(battery.series(1.0, 25.0).ohm, p.r_series_ohm, 1e-12);
  EXPECT_NEAR(battery.series(0.0, 25.0).ohm, p.r_series_ohm * (1.0 + p.r_series_rise_frac), 1e-12);
  EXPECT_NEAR(battery.series(0.5, -5.0).ohm, p.r_series_ohm * (1.0 + 0.5 * p.r_series_rise_frac) * std::exp(0.9),
              1e-12);
  for (const double degc : {-20.0, 0.0, 40.0}) {
    const SeriesOhm q = battery.series(0.4, degc);
    EXPECT_NEAR((battery.series(0.4001, degc).ohm - battery.series(0.3999, degc).ohm) / 2e-4, q.d_soc, 1e-6);
    EXPECT_NEAR((battery.series(0.4, degc + 0.01).ohm - battery.series(0.4, degc - 0.01).ohm) / 0.02, q.d_degc, 1e-6);
  }
}

TEST(Battery, AgesByItsMultiples) {
  LeadAcidParams p = usual_lead_acid(LeadAcidKind::kFlooded, 6.0, 100.0);
  const Battery young{p};
  p.ageing = {2.0, 0.7, 3.0, 5.0};
  const Battery old{p};
  EXPECT_NEAR(old.series(0.5, 25.0).ohm, 2.0 * young.series(0.5, 25.0).ohm, 1e-12);
  EXPECT_NEAR(old.capacity_ah(), 0.7 * young.capacity_ah(), 1e-9);
  EXPECT_NEAR(old.gassing_a(14.4, 25.0), 5.0 * young.gassing_a(14.4, 25.0), 1e-9);
  BatteryScratch a;
  BatteryScratch b;
  const BatteryState full{1.0, 0.0, 0.0, 25.0, 0.0};
  EXPECT_NEAR(old.at(full, 1.0, 0.01, a).crowd_d_main / young.at(full, 1.0, 0.01, b).crowd_d_main, 3.0, 0.02);
}

TEST(Battery, SlopesAreThoseOfTheRatesForEveryTermAtOnce) {
  LeadAcidParams lead = usual_lead_acid(LeadAcidKind::kAgm, 12.0, 100.0);
  LiFePo4Params lithium;
  lithium.self_discharge_per_s = 0.0;  // whose slope is left out, as it takes months
  for (const BatteryParams& p : {BatteryParams{lead}, BatteryParams{lithium}}) {
    const Battery battery{p};
    for (const double soc : {0.04, 0.5, 0.96}) {
      for (const double a : {-20.0, -0.3, 0.4, 15.0}) {
        const BatteryState x{soc, 0.1, 0.05, 12.0, 0.3};
        const auto at = [&](double da, double dsoc, double dh) {
          BatteryScratch s;
          BatteryState y = x;
          y.soc_frac += dsoc;
          y.hysteresis_frac += dh;
          y.v_slow_v -= battery.inner_v(y) - battery.inner_v(x);  // the gas stays the same
          return battery.at(y, a + da, 0.008, s);
        };
        const BatterySlopes q = battery.slopes(at(0, 0, 0), x.hysteresis_frac);
        const auto by_current = [&](double BatteryPoint::*rate) {
          return (at(1e-5, 0, 0).*rate - at(-1e-5, 0, 0).*rate) / 2e-5;
        };
        EXPECT_NEAR(by_current(&BatteryPoint::fast_per_s), q.fast_d_main, 1e-5 * (1e-3 + std::abs(q.fast_d_main)));
        EXPECT_NEAR(by_current(&BatteryPoint::slow_per_s), q.slow_d_main, 1e-5 * (1e-3 + std::abs(q.slow_d_main)));
        EXPECT_NEAR(by_current(&BatteryPoint::hysteresis_per_s), q.hysteresis_d_main, 1e-9);
        EXPECT_NEAR((at(0, 1e-6, 0).fast_per_s - at(0, -1e-6, 0).fast_per_s) / 2e-6, q.fast_d_soc,
                    1e-4 * (0.1 + std::abs(q.fast_d_soc)));
        EXPECT_NEAR((at(0, 0, 1e-5).hysteresis_per_s - at(0, 0, -1e-5).hysteresis_per_s) / 2e-5,
                    q.hysteresis_d_hysteresis, 1e-9);
      }
    }
  }
}

// The circuit's solvers against the bench's, from the same state, under a load.
TEST(Battery, DischargesInTheCircuitAsOnTheBench) {
  for (const BatteryParams& battery :
       {BatteryParams{usual_lead_acid(LeadAcidKind::kGel, 12.0, 100.0)}, BatteryParams{usual_lifepo4(8.0, 100.0)}}) {
    CircuitParams p = of(battery);
    p.loads.push_back({ConstantCurrentParams{20.0, 1.0}, true});
    const Circuit circuit{p};
    Conditions c;
    c.battery_held_at_temperature = true;
    c.battery_held_degc = 5.0;
    CircuitState state = circuit.at_rest({.soc_frac = 0.8, .battery_degc = 5.0}, c);
    c.loads[0].on = true;
    BatteryBench bench{battery, 0.8, 5.0};
    double worst_v = 0.0;
    for (int i = 1; i <= 40; ++i) {
      ASSERT_EQ(circuit.advance(state, c, from_seconds(300.0 * i), nullptr), AdvanceStatus::kOk);
      bench.run(-20.0, 300.0);
      worst_v = std::max(worst_v, std::abs(circuit.probe(state, c).terminal_v - bench.terminal_v(-20.0)));
      ASSERT_NEAR(state.battery.soc_frac, bench.x.soc_frac, 1e-5) << "after " << 300 * i << " s";
    }
    print_residual("terminal voltage, circuit against bench, 24 V", worst_v, "V");
    EXPECT_LT(worst_v, 2e-3);
  }
}

// A week of days and nights: gate on at noon for some hours, loads always.
TEST(Battery, KeepsItsBooksOverAWeek) {
  LiFePo4Params lithium = usual_lifepo4(8.0, 100.0);
  for (const BatteryParams& battery :
       {BatteryParams{usual_lead_acid(LeadAcidKind::kFlooded, 12.0, 100.0)}, BatteryParams{lithium}}) {
    CircuitParams p = hut();
    p.battery = battery;
    const Circuit circuit{p};
    const double capacity_ah = Battery{battery}.capacity_ah();
    Conditions c = sunny(0.0);
    const CircuitState start = circuit.at_rest({.soc_frac = 0.6, .poa_wpm2 = 0.0}, c);
    CircuitState state = start;
    for (int hour = 0; hour < 7 * 24; ++hour) {
      const int of_day = hour % 24;
      const double up = std::max(0.0, std::sin((of_day - 6) * M_PI / 12.0));
      c.sun.poa_wpm2 = 900.0 * up;
      c.gate_on = of_day >= 9 && of_day < 12 && state.battery.soc_frac < 0.97;
      for (int cycle = 0; cycle < 20; ++cycle) ASSERT_EQ(pwm_cycle(circuit, state, c, 0.5), AdvanceStatus::kOk);
      c.gate_on = of_day >= 9 && of_day < 12 && state.battery.soc_frac < 0.97;
      ASSERT_EQ(circuit.advance(state, c, from_seconds(3600.0 * (hour + 1)), nullptr), AdvanceStatus::kOk) << hour;
    }
    const Books& b = state.books;
    const double gross_ah = b.battery_charge_ah + b.battery_discharge_ah;
    const double open_ah = b.battery_charge_ah - b.battery_discharge_ah - b.gassing_ah - b.unstored_ah -
                           (state.battery.soc_frac - start.battery.soc_frac) * capacity_ah;
    const double turned_j = b.panel_j + b.loads_j;
    print_residual("charge left open by a week, of what passed", open_ah / gross_ah, "");
    print_residual("energy left open by a week, of what passed", circuit.books_residual_j(start, state) / turned_j, "");
    EXPECT_GT(b.battery_charge_ah, 30.0);
    EXPECT_LT(std::abs(open_ah / gross_ah), 1e-6);
    EXPECT_LT(std::abs(circuit.books_residual_j(start, state) / turned_j), 1e-6);
  }
}

template <class Params, class Change>
bool refused(const Params& good, const Change& change) {
  Params p = good;
  Problems none;
  p.check(none);
  EXPECT_TRUE(none.empty());
  change(p);
  Problems problems;
  p.check(problems);
  return !problems.empty();
}

TEST(Battery, RefusesFiguresThatCannotBe) {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const LeadAcidParams lead = usual_lead_acid(LeadAcidKind::kAgm, 6.0, 100.0);
  const LiFePo4Params lithium;
  for (const double bad : {0.0, nan, -1.0, std::numeric_limits<double>::infinity()}) {
    EXPECT_TRUE(refused(lead, [&](auto& p) { p.capacity_ah = bad; })) << bad;
    EXPECT_TRUE(refused(lithium, [&](auto& p) { p.capacity_ah = bad; })) << bad;
    EXPECT_TRUE(refused(lead, [&](auto& p) { p.heat_capacity_j_per_k = bad; })) << bad;
    EXPECT_TRUE(refused(lithium, [&](auto& p) { p.tau_fast_s = bad; })) << bad;
  }
  for (const double bad : {1e-12, 1e12, nan, -0.01}) {
    EXPECT_TRUE(refused(lead, [&](auto& p) { p.r_series_ohm = bad; })) << bad;
    EXPECT_TRUE(refused(lead, [&](auto& p) { p.r_slow_ohm = bad; })) << bad;
    EXPECT_TRUE(refused(lithium, [&](auto& p) { p.r_fast_ohm = bad; })) << bad;
  }
  EXPECT_TRUE(refused(lead, [](auto& p) { p.ocv = {{0.0, 1.9}}; }));
  EXPECT_TRUE(refused(lead, [](auto& p) { p.ocv[2].cell_v = 1.0; }));
  EXPECT_TRUE(refused(lead, [](auto& p) { std::swap(p.ocv[2], p.ocv[3]); }));
  EXPECT_TRUE(refused(lithium, [](auto& p) { p.ocv.back().soc_frac = 0.999; }));
  EXPECT_TRUE(refused(lithium, [](auto& p) { p.protection.high_release_cell_v = 3.7; }));
  EXPECT_TRUE(refused(lithium, [](auto& p) { p.protection.low_release_cell_v = 2.4; }));
  EXPECT_TRUE(refused(lithium, [](auto& p) { p.protection.cold_release_degc = -1.0; }));
  EXPECT_TRUE(refused(lithium, [](auto& p) { p.protection.release_delay_s = 0.0; }));
  EXPECT_TRUE(refused(lead, [&](auto& p) { p.ageing.capacity_scale = 0.0; }));
}

TEST(OcvCurve, GoesThroughItsPointsRisesBetweenThemAndHasTheSlopeItSays) {
  for (const auto& points : {usual_lifepo4_ocv(), usual_lead_acid(LeadAcidKind::kGel, 6.0, 100.0).ocv,
                             std::vector<OcvPoint>{{0.0, 1.98}, {1.0, 2.13}}}) {
    const OcvCurve curve{points};
    for (const OcvPoint& p : points) EXPECT_NEAR(curve.at(p.soc_frac).cell_v, p.cell_v, 1e-12) << p.soc_frac;
    double before_v = curve.at(-0.001).cell_v;
    for (double soc = 0.0; soc < 1.001; soc += 0.0005) {
      const OcvCurve::Value here = curve.at(soc);
      ASSERT_GT(here.cell_v, before_v) << soc;
      before_v = here.cell_v;
      const double slope = (curve.at(soc + 1e-7).cell_v - curve.at(soc - 1e-7).cell_v) / 2e-7;
      ASSERT_NEAR(here.d_soc, slope, 1e-3 * (1.0 + slope)) << soc;
    }
  }
}

}  // namespace
}  // namespace dawnrig::plant
