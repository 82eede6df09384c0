// Plant, battery: usual batteries against published figures, and against a log of a real 12 V 100 Ah battery.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "battery_bench.h"

namespace dawnrig::plant {
namespace {

LeadAcidParams agm() {
  return usual_lead_acid(LeadAcidKind::kAgm, 6.0, 100.0);
}

// Source: maker's specification of a 100 Ah AGM battery, capacity at the 20, 10, 5, 3 and 1 h rate. Cut-off taken as
// 10.5 V for all of them.
TEST(UsualAgmBattery, GivesLessTheFasterItIsDischarged) {
  const double currents_a[] = {5.2, 10.0, 17.6, 25.3, 65.0};
  const double published_ah[] = {104.0, 100.0, 88.0, 76.0, 65.0};
  double worst_ah = 0.0;
  double before_ah = 1e9;
  for (int i = 0; i < 5; ++i) {
    BatteryBench bench{agm()};
    while (bench.terminal_v(-currents_a[i]) > 10.5 && bench.out_ah < 150.0) bench.run(-currents_a[i], 10.0, 1.0);
    std::printf("discharged at %.1f A to 10.5 V: %.1f Ah, published %.0f Ah\n", currents_a[i], bench.out_ah,
                published_ah[i]);
    worst_ah = std::max(worst_ah, std::abs(bench.out_ah - published_ah[i]));
    EXPECT_LT(bench.out_ah, before_ah);
    before_ah = bench.out_ah;
  }
  print_residual("capacity against rate, of 100 Ah", worst_ah, "Ah");
  EXPECT_LT(worst_ah, 9.0);
}

// Source: specifications of AGM batteries, -0.56 to -0.74 % of capacity per kelvin below 25 degC.
TEST(UsualAgmBattery, GivesLessInTheCold) {
  const auto capacity_ah = [](double degc) {
    BatteryBench bench{agm(), 1.0, degc};
    while (bench.terminal_v(-10.0) > 10.5 && bench.out_ah < 150.0) bench.run(-10.0, 10.0, 1.0);
    return bench.out_ah;
  };
  const double warm_ah = capacity_ah(25.0);
  for (const double degc : {10.0, 0.0, -10.0, -20.0}) {
    const double per_k = 100.0 * (1.0 - capacity_ah(degc) / warm_ah) / (25.0 - degc);
    std::printf("capacity at %.0f degC: %.2f %% less per kelvin, published 0.56 to 0.74\n", degc, per_k);
    EXPECT_GT(per_k, 0.45) << degc;
    EXPECT_LT(per_k, 0.80) << degc;
  }
}

// Source: a public log of a 12 V 100 Ah VRLA battery: from deeply discharged, 31.3 A brought it to 14.8 V after 2.66 h;
// at 14.95 V the current fell to 0.98 A; 96.6 Ah in all.
TEST(UsualAgmBattery, TakesAConstantCurrentUntilTheVoltageLimitAndThenEverLess) {
  BatteryBench bench{agm(), 0.08};  // of 104 Ah, so that 96.6 Ah fill it
  double h = 0.0;
  while (bench.terminal_v(31.3) < 14.8 && h < 5.0) {
    bench.run(31.3, 10.0);
    h += 10.0 / 3600.0;
  }
  const double limit_h = h;
  double tail_h = 0.0;
  while ((tail_h == 0.0 || bench.last_a > 0.98) && tail_h < 48.0) {
    bench.run(31.3, 60.0, 0.02, 14.95);
    tail_h += 60.0 / 3600.0;
  }
  std::printf(
      "31.3 A to 14.8 V: %.2f h, logged 2.66 h; %.1f Ah when 0.98 A flow at 14.95 V, logged 96.6 Ah; %.1f h later\n",
      limit_h, bench.in_ah, tail_h);
  print_residual("time to the voltage limit", limit_h / 2.66 - 1.0, "of it");
  print_residual("charge taken", bench.in_ah / 96.6 - 1.0, "of it");
  EXPECT_NEAR(limit_h, 2.66, 0.15 * 2.66);
  EXPECT_NEAR(bench.in_ah, 96.6, 4.0);
}

// Same log: 0.98 A at 14.96 V, then open: 13.24 V two hours later; 0.488 V of the fall took minutes and more, the rest
// less. After a discharge of 10 A to 10.45 V: 11.52 V at rest, of which 0.542 V slowly.
TEST(UsualAgmBattery, RelaxesAfterChargeAndAfterDischargeLikeTheOneOnTheLog) {
  BatteryBench full{agm(), 0.98};
  full.run(31.3, 3 * 3600.0, 0.02, 14.95);
  const double before_v = full.terminal_v(full.last_a);
  full.run(0.0, 30.0, 0.25);
  const double soon_v = full.terminal_v(0.0);
  full.run(0.0, 7200.0, 0.5);
  const double rest_v = full.terminal_v(0.0);
  std::printf(
      "open after charge: %.2f V, %.2f V after 30 s, %.2f V after 2 h; logged 14.96 and 13.24 V, 0.49 V of it slow\n",
      before_v, soon_v, rest_v);
  print_residual("rest after charge", rest_v - 13.24, "V");
  EXPECT_NEAR(rest_v, 13.24, 0.5);
  EXPECT_NEAR(soon_v - rest_v, 0.488, 0.4);

  BatteryBench empty{agm(), 0.4};
  while (empty.terminal_v(-10.0) > 10.45) empty.run(-10.0, 5.0);
  empty.run(0.0, 15.0);
  const double at_15s_v = empty.terminal_v(0.0);
  empty.run(0.0, 7200.0);
  std::printf(
      "open after discharge to 10.45 V: %.2f V after 2 h, %.2f V of it later than 15 s; logged 11.52 V and 0.54 V\n",
      empty.terminal_v(0.0), empty.terminal_v(0.0) - at_15s_v);
  print_residual("rest after discharge", empty.terminal_v(0.0) - 11.52, "V");
  EXPECT_NEAR(empty.terminal_v(0.0), 11.52, 0.5);
  EXPECT_NEAR(empty.terminal_v(0.0) - at_15s_v, 0.54, 0.3);
}

// Same log: 20.5 mohm ten seconds after 31.4 A were switched on, deeply discharged; 47 mohm at the end of a discharge
// of 10 A. Data sheet: 4.9 mohm of 100 Ah, full, at 1 kHz.
TEST(UsualAgmBattery, AnswersAPulseAsMeasured) {
  const auto pulse_ohm = [](double soc_frac, double charge_a) {
    BatteryBench bench{agm(), soc_frac};
    const double rest_v = bench.terminal_v(0.0);
    bench.run(charge_a, 10.0, 0.05);
    return (bench.terminal_v(charge_a) - rest_v) / charge_a;
  };
  const double charging_ohm = pulse_ohm(0.05, 31.4);
  const double empty_ohm = pulse_ohm(0.12, -10.0);
  std::printf(
      "after 10 s: %.1f mohm charging when discharged, measured 20.5; %.1f mohm discharging when nearly empty, "
      "measured 47\n",
      charging_ohm * 1e3, empty_ohm * 1e3);
  print_residual("pulse resistance", charging_ohm / 0.0205 - 1.0, "of it");
  EXPECT_NEAR(charging_ohm, 0.0205, 0.2 * 0.0205);
  EXPECT_NEAR(empty_ohm, 0.047, 0.4 * 0.047);
  EXPECT_NEAR(Battery{agm()}.series(1.0, 25.0).ohm, 0.0049, 1e-9);
}

// Source: Schiffer et al., J. Power Sources 168 (2007) 66: I0 exp(11/V (U - 2.23 V) + 0.06/K (T - 298 K)), 20 mA per
// 100 Ah of new antimony cells. Table worked out apart from this code, in mA.
TEST(UsualFloodedBattery, GassesAsPublishedFrom2Point30To2Point50VoltsAndFrom0To40Degrees) {
  const Battery battery{usual_lead_acid(LeadAcidKind::kFlooded, 6.0, 100.0)};
  const double degc[] = {0.0, 10.0, 25.0, 40.0};
  const double cell_v[] = {2.30, 2.35, 2.40, 2.45, 2.50};
  double worst = 0.0;
  for (const double t : degc) {
    for (const double u : cell_v) {
      const double published_a = 0.020 * std::pow(2.0, (u - 2.23) / (std::log(2.0) / 11.0)) *
                                 std::pow(2.0, (t + 273.15 - 298.0) / (std::log(2.0) / 0.06));
      worst = std::max(worst, std::abs(battery.gassing_a(6.0 * u, t) / published_a - 1.0));
    }
  }
  print_residual("gassing current, of it (25 degC is taken for 298 K)", worst, "");
  EXPECT_LT(worst, 0.01);
  EXPECT_NEAR(battery.gassing_a(6.0 * 2.40, 25.0), 0.131, 0.0014);
  EXPECT_NEAR(battery.gassing_a(6.0 * 2.50, 25.0), 0.393, 0.004);
}

// Source: makers' storage advice: AGM 2 to 3 % a month at 25 degC, half as much again at 35 degC; flooded 4 to 6 %.
TEST(UsualLeadAcidBattery, LosesOnTheShelfWhatMakersSay) {
  const auto per_month = [](LeadAcidKind kind, double degc) {
    BatteryBench bench{usual_lead_acid(kind, 6.0, 100.0), 1.0, degc};
    bench.run(0.0, 30 * 86400.0, 1.0);
    return 100.0 * (1.0 - bench.x.soc_frac);
  };
  const double agm_25 = per_month(LeadAcidKind::kAgm, 25.0);
  const double agm_35 = per_month(LeadAcidKind::kAgm, 35.0);
  const double flooded_25 = per_month(LeadAcidKind::kFlooded, 25.0);
  std::printf(
      "lost in a month: AGM %.1f %% at 25 degC and %.1f %% at 35 degC, published 2 to 3 and half as much again; "
      "flooded %.1f %%, "
      "published 4 to 6\n",
      agm_25, agm_35, flooded_25);
  EXPECT_GT(agm_25, 1.5);
  EXPECT_LT(agm_25, 3.5);
  EXPECT_GT(agm_35 / agm_25, 1.3);
  EXPECT_LT(agm_35 / agm_25, 1.9);
  EXPECT_GT(flooded_25, 2.5);
  EXPECT_LT(flooded_25, 6.0);
}

// Source: a public table of 12 V batteries at 26.7, 10.0 and -6.7 degC, 100 to 0 %.
TEST(UsualLeadAcidBattery, RestsAtThePublishedVoltages) {
  struct Row {
    LeadAcidKind kind;
    double degc;
    std::array<double, 5> v;
  };
  const Row rows[] = {
      {LeadAcidKind::kFlooded, 26.7, {12.650, 12.450, 12.240, 12.060, 11.890}},
      {LeadAcidKind::kFlooded, 10.0, {12.622, 12.422, 12.212, 12.032, 11.862}},
      {LeadAcidKind::kFlooded, -6.7, {12.566, 12.366, 12.156, 11.976, 11.806}},
      {LeadAcidKind::kGel, 26.7, {12.800, 12.600, 12.400, 12.000, 11.800}},
      {LeadAcidKind::kGel, 10.0, {12.772, 12.572, 12.372, 11.972, 11.772}},
      {LeadAcidKind::kGel, -6.7, {12.716, 12.516, 12.316, 11.916, 11.716}},
  };
  double worst_v = 0.0;
  for (const Row& row : rows) {
    const Battery battery{usual_lead_acid(row.kind, 6.0, 100.0)};
    for (int i = 0; i < 5; ++i) {
      const double miss_v = battery.ocv_v(1.0 - 0.25 * i, row.degc) - row.v[static_cast<std::size_t>(i)];
      worst_v = std::max(worst_v, std::abs(miss_v));
    }
  }
  print_residual("open-circuit voltage of 12 V, -6.7 to 26.7 degC", worst_v, "V");
  EXPECT_LT(worst_v, 0.05);
}

// Sources: iron phosphate half cell of Afshar (2017), graphite of Chen et al. (2020), laid over the usual curve by
// three figures of their own (0.75 of the phosphate, graphite from 0.098 to 0.84).
TEST(UsualLiFePo4Battery, RestsWhereItsTwoHalfCellsSay) {
  const Battery battery{usual_lifepo4(1.0, 100.0)};
  double square = 0.0;
  double worst_v = 0.0;
  int n = 0;
  for (double soc = 0.05; soc < 0.961; soc += 0.01, ++n) {
    const double x = 0.75 * (1.0 - soc);
    const double s = 0.098 + 0.742 * soc;
    const double iron_v = 3.4077 - 0.020269 * x + 0.5 * std::exp(-150.0 * x) - 0.9 * std::exp(-30.0 * (1.0 - x));
    const double graphite_v = 1.9793 * std::exp(-39.3631 * s) + 0.2482 - 0.0909 * std::tanh(29.8538 * (s - 0.1234)) -
                              0.04478 * std::tanh(14.9159 * (s - 0.2769)) - 0.0205 * std::tanh(30.4444 * (s - 0.6103));
    const double miss_v = battery.ocv_v(soc, 25.0) - (iron_v - graphite_v);
    square += miss_v * miss_v;
    worst_v = std::max(worst_v, std::abs(miss_v));
  }
  print_residual("LiFePO4 open-circuit voltage against half cells, 5 to 96 %, rms", std::sqrt(square / n),
                 "V per cell");
  print_residual("and at worst", worst_v, "V per cell");
  EXPECT_LT(std::sqrt(square / n), 0.012);
  EXPECT_LT(worst_v, 0.03);
}

// Trade: full at 3.65 V when the current has fallen to a twentieth of the capacity; past 3.40 V minutes are left.
TEST(UsualLiFePo4Battery, TakesAllItsChargeFlatAndThenRunsAwayWithinMinutes) {
  LiFePo4Params p = usual_lifepo4(8.0, 100.0);
  p.protection.fitted = false;
  BatteryBench bench{p, 0.05};
  const double middle_rise_v = [&] {
    BatteryBench middle{p, 0.3};
    middle.run(20.0, 3600.0);
    const double from_v = middle.terminal_v(20.0);
    middle.run(20.0, 3600.0 * 1.5);
    return (middle.terminal_v(20.0) - from_v) / 8.0;
  }();
  double at_knee_s = 0.0;
  double at_limit_s = 0.0;
  for (double t = 0.0; t < 7 * 3600.0 && at_limit_s == 0.0; t += 5.0) {
    bench.run(20.0, 5.0, 0.25);
    const double cell_v = bench.terminal_v(20.0) / 8.0;
    if (at_knee_s == 0.0 && cell_v > 3.45) at_knee_s = t;
    if (cell_v >= 3.65) at_limit_s = t;
  }
  std::printf(
      "0.2 C: %.0f mV per cell from 50 to 80 %%; from 3.45 to 3.65 V per cell in %.1f min, at %.3f of its charge\n",
      1e3 * middle_rise_v, (at_limit_s - at_knee_s) / 60.0, bench.x.soc_frac);
  EXPECT_LT(middle_rise_v, 0.045);
  EXPECT_GT(at_limit_s, at_knee_s);
  EXPECT_LT(at_limit_s - at_knee_s, 600.0);
  EXPECT_GT(bench.x.soc_frac, 0.95);
}

}  // namespace
}  // namespace dawnrig::plant
