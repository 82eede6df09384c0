// Temperatures that change fast, and those at which a battery must not be charged.
#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Temperature;
using verdict::FirstCrossing;
using verdict::Highest;
using verdict::OnTime;
using verdict::Side;

class BatteryTemperature : public testing::Acceptance {
 protected:
  /// Outside: no charging, loads as they were. Back inside: charging again.
  void judge_stop(double outside_degc, double inside_degc, const std::string& stops, const std::string& resumes) {
    power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
    EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
    let_pass(10s);
    const bool load_was_on = rig().latest()[Signal::kLoadSwitch] > 0.5;
    battery_is_at(Temperature{outside_degc});
    let_pass(5s);  // a thermistor is filtered
    OnTime on{Signal::kGate, limit(stops)};
    verdict::Toggles load{Signal::kLoadSwitch, limit("TEMPERATURE-STOP-LOAD")};
    const auto watch = watch_with({&on, &load}, {Signal::kBatteryDegc, Signal::kGate, Signal::kLoadSwitch});
    let_pass(40s);
    judge(stops, on, "time that the charging switch was on in 40 s outside the declared temperatures", *watch);
    if (load_was_on) {
      judge("TEMPERATURE-STOP-LOAD", load, "changes of the load output while the battery is too cold or too hot",
            *watch);
    }
    FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
    const auto back = watch_with({&begins}, {Signal::kBatteryDegc, Signal::kGate});
    battery_is_at(Temperature{inside_degc});
    let_pass(90s);
    judge(resumes, begins, "time from the return to allowed temperatures until charging resumes", *back);
  }
};

TEST_F(BatteryTemperature, FallsAtOnceWithoutMakingTheVoltageOvershoot) {
  if (!declared().compensation_v_per_k || *declared().compensation_v_per_k == 0.0) {
    return not_applicable("temperature compensation is not declared");
  }
  power_up({.soc_frac = 0.97, .sun = 1000_Wpm2});
  static_cast<void>(await_regulation(declared().absorption_v, 30min));
  Highest peak{{.signal = Signal::kTerminalV,
                .minus = declared().absorption_v_at(0.0),
                .limit = limit("TEMPERATURE-STEP-PEAK")}};
  const auto watch = watch_with({&peak}, {Signal::kTerminalV, Signal::kBatteryDegc, Signal::kGate});
  battery_is_at(0_degC);
  let_pass(from_seconds(2.0 * declared().settle_s));
  judge("TEMPERATURE-STEP-PEAK", peak, "highest terminal voltage above the set point of the new temperature", *watch);
}

TEST_F(BatteryTemperature, TooColdStopsTheCharge) {
  if (!declared().charge_coldest_degc) {
    return not_applicable("no coldest temperature for charging is declared");
  }
  const double coldest = *declared().charge_coldest_degc;
  judge_stop(coldest - 3.0, coldest + declared().charge_resume_k + 3.0, "COLD-NO-CHARGE", "COLD-RESUMES");
}

TEST_F(BatteryTemperature, TooHotStopsTheCharge) {
  if (!declared().charge_hottest_degc) {
    return not_applicable("no hottest temperature for charging is declared");
  }
  const double hottest = *declared().charge_hottest_degc;
  judge_stop(hottest + 4.0, hottest - declared().charge_resume_k - 4.0, "HOT-NO-CHARGE", "HOT-RESUMES");
}

TEST_F(BatteryTemperature, LithiumIsNotChargedWithoutItsSensor) {
  if (!declared().charge_coldest_degc || declared().sensor_fault_v ||
      board().channel_for(profile::Quantity::kBatteryTemperature) == nullptr) {
    return not_applicable("this device declares a set point for a lost temperature sensor, or does not mind the cold");
  }
  power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
  EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
  let_pass(10s);
  sense_fault(profile::Quantity::kBatteryTemperature, plant::SenseFaultKind::kOpen);
  let_pass(2s);
  OnTime on{Signal::kGate, limit("SENSOR-LOST-NO-CHARGE")};
  const auto watch = watch_with({&on}, {Signal::kBatteryDegc, Signal::kGate});
  let_pass(30s);
  judge("SENSOR-LOST-NO-CHARGE", on, "time that the charging switch was on with the temperature sensor lost", *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
