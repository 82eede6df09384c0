// A battery on the bench as a table: against its own figures, its closed form, and what is refused.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "harness/characteristic/characteristic.h"
#include "tests/characteristic/refusal.h"

namespace dawnrig::characteristic {
namespace {

using ::testing::HasSubstr;

profile::SiteProfile ridge_site() {
  return profile::load_site(std::string{DAWNRIG_SOURCE_DIR} + "/fixtures/profiles/ridge_repeater_site.textproto");
}

TEST(BatteryRun, BeginsAtTheRestingVoltageAndTheSeriesResistance) {
  const profile::SiteProfile site = ridge_site();
  const plant::Battery battery{site.battery};
  BatterySweep sweep;
  sweep.current_a = 20;
  sweep.soc_frac = 0.5;
  sweep.for_s = 60;
  const Characteristic table = battery_run(site, sweep);
  const std::vector<double>& first = table.branches[0].rows.front();
  EXPECT_NEAR(first[2], battery.ocv_v(0.5, 25) + 20 * battery.series(0.5, 25).ohm, 1e-9);
  EXPECT_EQ(first[3], 20);
}

TEST(BatteryRun, OfAChargeNeverPassesItsLimitAndCountsWhatItTook) {
  const profile::SiteProfile site = ridge_site();
  BatterySweep sweep;
  sweep.current_a = 20;
  sweep.limit_v = 28.8;
  sweep.soc_frac = 0.5;
  sweep.for_s = 7200;
  const Characteristic table = battery_run(site, sweep);
  double before_a = 1e9;
  for (const std::vector<double>& row : table.branches[0].rows) {
    EXPECT_LE(row[2], 28.8 + 1e-9) << "at " << row[1] << " s";
    EXPECT_LE(row[3], before_a + 1e-9) << "at " << row[1] << " s";
    before_a = row[3];
  }
  // Gassing and self-discharge take their share of what goes in; the rest is in the state of charge.
  const std::vector<double>& last = table.branches[0].rows.back();
  const double stored_ah = (last[4] - 0.5) * plant::Battery{site.battery}.capacity_ah();
  EXPECT_LT(stored_ah, last[6]);
  EXPECT_NEAR(stored_ah, last[6], 0.05 * last[6]);
}

TEST(BatteryRun, OfADischargeEndsAtItsVoltage) {
  BatterySweep sweep;
  sweep.current_a = -20;
  sweep.limit_v = 23.5;
  sweep.every_s = 10;
  const Characteristic table = battery_run(ridge_site(), sweep);
  const auto& rows = table.branches[0].rows;
  EXPECT_LE(rows.back()[2], 23.5);
  EXPECT_GT(rows[rows.size() - 2][2], 23.5);
  EXPECT_NEAR(rows.back()[6], -20 * rows.back()[1] / 3600, 1e-6);
}

TEST(BatteryRun, FollowsTheClosedFormOfItsPairsHoweverFastTheyAre) {
  plant::LeadAcidParams battery;  // nothing that depends on charge but the open-circuit voltage
  battery.r_acceptance_ohm = battery.gassing_a_per_100ah = 0;
  for (const double tau_fast_s : {0.001, 1.0, 60.0}) {
    battery.tau_fast_s = tau_fast_s;
    profile::SiteProfile site = ridge_site();
    site.battery = battery;
    BatterySweep sweep;
    sweep.current_a = -20;
    sweep.for_s = 7200;
    sweep.every_s = 60;
    double worst_v = 0;
    const Characteristic table = battery_run(site, sweep);
    for (const std::vector<double>& row : table.branches[0].rows) {
      const double t = row[1];
      const double soc_frac = 1 - 20 * t / 3600 / battery.capacity_ah;
      const double ocv_v =
          12 * (battery.cell_ocv_empty_v + (battery.cell_ocv_full_v - battery.cell_ocv_empty_v) * soc_frac);
      const double expected_v = ocv_v - 20 * (battery.r_series_ohm + battery.r_fast_ohm * -std::expm1(-t / tau_fast_s) +
                                              battery.r_slow_ohm * -std::expm1(-t / battery.tau_slow_s));
      worst_v = std::max(worst_v, std::abs(row[2] - expected_v));
      ASSERT_NEAR(row[2], expected_v, 1e-5) << "at " << t << " s with a fast pair of " << tau_fast_s << " s";
    }
    std::printf("fast pair of %g s: %.1e V from the closed form\n", tau_fast_s, worst_v);
  }
}

TEST(BatteryRun, OfNoTimeIsRefused) {
  BatterySweep sweep;
  sweep.for_s = 0;
  EXPECT_THAT(refusal_of([&] { (void)battery_run(ridge_site(), sweep); }), HasSubstr("--for-s"));
  sweep.for_s = 10;
  EXPECT_THAT(refusal_of([&] { (void)battery_run(ridge_site(), sweep); }), HasSubstr("--every-s"));
}

}  // namespace
}  // namespace dawnrig::characteristic
