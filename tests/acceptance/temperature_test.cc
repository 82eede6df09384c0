// Temperatures that change fast, those at which a battery must not be charged, and a controller that is hot itself.
#include <vector>

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
    verdict::Toggles load{Signal::kLoadSwitch, limit("TEMPERATURE-STOP-LOAD")};
    const auto whole = watch_with({&load}, {Signal::kBatteryDegc, Signal::kGate, Signal::kLoadSwitch});
    battery_is_at(Temperature{outside_degc});
    let_pass(5s);  // a thermistor is filtered
    OnTime on{Signal::kGate, limit(stops)};
    const auto watch = watch_with({&on}, {Signal::kBatteryDegc, Signal::kGate, Signal::kLoadSwitch});
    let_pass(40s);
    judge(stops, on, "time that the charging switch was on in 40 s outside the declared temperatures", *watch);
    if (load_was_on) {
      judge("TEMPERATURE-STOP-LOAD", load, "changes of the load output while the battery is too cold or too hot",
            *whole);
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

class HotController : public testing::Acceptance {
 protected:
  /// True: there is nothing here to judge.
  bool nothing_declared() {
    if (board().channel_for(profile::Quantity::kHeatSinkTemperature) == nullptr) {
      not_applicable("this board senses no temperature of its heat sink, so its firmware cannot hold back");
      return true;
    }
    if (!declared().heat_sink_hottest_degc) {
      not_applicable("no hottest temperature of the heat sink is declared");
      return true;
    }
    if (testing::bench().rig.kind != testing::RigKind::kVirtual) {
      not_applicable("this rig has no hand on the device's heat sink, whose own sensor stays in place");
      return true;
    }
    return false;
  }
  [[nodiscard]] double hottest_degc() const { return *declared().heat_sink_hottest_degc; }
  [[nodiscard]] double derate_degc() const { return declared().heat_sink_derate_degc.value_or(hottest_degc()); }
  void heat_sink_is_at(double degc) { happens(scenario::HeatSinkTemperature{degc}); }

  /// The share of time that the gate is on with the heat sink at a temperature.
  [[nodiscard]] double duty_at(double degc) {
    heat_sink_is_at(degc);
    let_pass(1s);  // a firmware may smooth what it reads
    return mean_of(Signal::kGate, 2s);
  }
  [[nodiscard]] Figure time_on_at(double degc, const std::string& id) {
    heat_sink_is_at(degc);
    let_pass(1s);
    OnTime on{Signal::kGate, limit(id)};
    const auto watch = watch_with({&on});
    let_pass(20s);
    return on.figure();
  }
};

TEST_F(HotController, HoldsBackTheMoreTheHotterItIs) {
  if (nothing_declared()) {
    return;
  }
  power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
  EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
  let_pass(10s);
  const auto watch = watch_with({}, {Signal::kHeatSinkDegc, Signal::kGate});
  Figure full;
  Figure rise;
  double last = 1.0;
  for (double degc = derate_degc() - 15.0; degc < hottest_degc(); degc += 2.5) {
    const double duty = duty_at(degc);
    if (degc <= derate_degc()) {
      full.value = full.exercised == 0 ? duty : std::min(full.value, duty);
      ++full.exercised;
    }
    rise.value = std::max(rise.value, duty - last);
    ++rise.exercised;
    last = duty;
  }
  HighestOf on;
  on.add(time_on_at(hottest_degc() + 3.0, "HEAT-SINK-NO-CHARGE"));
  on.add(time_on_at(hottest_degc() + 5.0, "HEAT-SINK-NO-CHARGE"));
  on.add(time_on_at(hottest_degc() - declared().heat_sink_resume_k + 3.0, "HEAT-SINK-NO-CHARGE"));
  FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto back = watch_with({&begins}, {Signal::kHeatSinkDegc, Signal::kGate});
  heat_sink_is_at(hottest_degc() - declared().heat_sink_resume_k - 3.0);
  let_pass(40s);
  judge("HEAT-SINK-FULL", full, "least share of time that the charging switch is on, up to where derating begins",
        *watch);
  if (declared().heat_sink_derate_degc) {
    judge("HEAT-SINK-DERATES", counted(last), "share of time on 2.5 K or less below the declared limit", *watch);
  } else {
    not_applicable("HEAT-SINK-DERATES: no temperature is declared from which on this device holds back");
  }
  judge("HEAT-SINK-MONOTONE", rise, "most that the share of time on rises from one temperature to 2.5 K more", *watch);
  judge("HEAT-SINK-NO-CHARGE", on.figure(),
        "time that the charging switch was on in 20 s above the limit, and after it before it had cooled as declared",
        *watch);
  judge("HEAT-SINK-RESUMES", begins, "time from the heat sink's return to allowed temperatures until charging resumes",
        *back);
}

TEST_F(HotController, SettlesInHotAirWithoutHunting) {
  if (nothing_declared()) {
    return;
  }
  if (!board().stage.heat_sink) {
    return not_applicable("the board profile does not say how the stage's losses warm its heat sink");
  }
  // Hot air, and fins so full of dust that all of the current would be too much; nearly as hot as it may be.
  constexpr double kDust = 4.0;
  profile::BoardProfile dusty = board();
  dusty.stage.heat_sink->resistance_k_per_w *= kDust;
  dusty.stage.heat_sink->heat_capacity_j_per_k /= kDust;  // so that it is as quick as before, and the test as short
  power_up({.soc_frac = 0.3, .sun = 1000_Wpm2, .ambient = Temperature{hottest_degc() - 40.0}, .other_board = dusty});
  EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
  heat_sink_is_at(hottest_degc() - 1.0);
  let_pass(10s);
  Highest peak{{.signal = Signal::kHeatSinkDegc, .minus = hottest_degc(), .limit = limit("HEAT-SINK-PEAK")}};
  Restarts restarts{100ms};
  const auto watch = watch_with({&peak, &restarts}, {Signal::kHeatSinkDegc, Signal::kGate});
  happens(scenario::HeatSinkTemperature{0.0, false});
  let_pass(4min);
  judge("HEAT-SINK-PEAK", peak, "highest temperature of the heat sink above the declared limit", *watch);
  judge("HEAT-SINK-HUNTING", changed(restarts.figure(), 0.25),
        "times a minute that charging stopped for a tenth of a second and began again, over four minutes with fins "
        "full of dust",
        *watch);
}

TEST_F(HotController, ALostSensorOfTheHeatSinkIsShown) {
  if (nothing_declared()) {
    return;
  }
  if (!board().fault_output || !declared().flag_delay_s) {
    return not_applicable("this device has no fault output, or does not declare when it shows a fault");
  }
  power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
  EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
  let_pass(5s);
  HighestOf worst;
  std::unique_ptr<testing::Watch> watch;
  for (const auto kind : {plant::SenseFaultKind::kOpen, plant::SenseFaultKind::kShortToGround}) {
    const bool quiet_before = rig().latest()[Signal::kFault] < 0.5;
    FirstCrossing shown{{.signal = Signal::kFault}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
    watch = watch_with({&shown}, {Signal::kGate, Signal::kFault});
    sense_fault(profile::Quantity::kHeatSinkTemperature, kind);
    let_pass(from_seconds(*declared().flag_delay_s + 5.0));
    watch->end();
    Figure figure = less(shown.figure(), *declared().flag_delay_s);
    figure.exercised = quiet_before ? 1 : 0;
    worst.add(figure);
    sense_fault(profile::Quantity::kHeatSinkTemperature, plant::SenseFaultKind::kNone);
    let_pass(5s);
  }
  judge("HEAT-SINK-LOST-FLAG", worst.figure(),
        "time from the loss of the heat sink's sensor until the fault output shows it, less the declared time", *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
