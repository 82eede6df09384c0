// Wires, connectors, switches and batteries that are not as they should be.
#include <variant>

#include "tests/acceptance/charging.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using plant::SenseFaultKind;
using profile::Quantity;
using verdict::FirstCrossing;
using verdict::Highest;
using verdict::LastOn;
using verdict::Mean;
using verdict::OnTime;
using verdict::SettlingTime;
using verdict::Side;

class Wiring : public Charging {
 protected:
  [[nodiscard]] SettlingTime settling() const {
    return SettlingTime{{.signal = Signal::kBusV, .average_over = 200ms},
                        declared().absorption_v - band_v(declared().absorption_v),
                        declared().absorption_v + band_v(declared().absorption_v)};
  }
  [[nodiscard]] Highest peak_above_set_point(const std::string& id) const {
    return Highest{{.signal = Signal::kTerminalV, .minus = declared().absorption_v, .limit = limit(id)}};
  }
  /// Something is wrong: within the declared time the fault output says so.
  void judge_flag(const std::string& id, const scenario::Change& change) {
    if (!rig().sees_fault_output()) {
      return not_applicable(id + ": this rig does not see the fault output");
    }
    if (!board().fault_output || !declared().flag_delay_s) {
      return not_applicable(id + ": this device has no fault output, or does not declare when it shows a fault");
    }
    FirstCrossing shown{{.signal = Signal::kFault}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
    const bool quiet_before = rig().latest()[Signal::kFault] < 0.5;
    const auto watch = watch_with({&shown}, {Signal::kBusV, Signal::kGate, Signal::kFault});
    happens(change);
    let_pass(from_seconds(*declared().flag_delay_s + limit(id).value_or(verdict::Limit{}).highest.value_or(0.0) + 5.0));
    Figure figure = less(shown.figure(), *declared().flag_delay_s);
    figure.exercised = quiet_before ? 1 : 0;
    judge(id, figure, "time from the fault until the fault output shows it, less the declared time", *watch);
  }
  [[nodiscard]] const std::string& channel(Quantity quantity) const { return board().channel_for(quantity)->name; }
};

TEST_F(Wiring, BatteryComesBackWithABouncingContact) {
  reach_absorption();
  battery_connector(false);
  let_pass(3s);
  Highest bus{{.signal = Signal::kBusV, .minus = board().stage.max_bus_v, .limit = limit("RECONNECT-PEAK")}};
  SettlingTime settles = settling();
  const auto watch = watch_with({&bus, &settles}, {Signal::kBusV, Signal::kGate});
  happens(scenario::Bounce{scenario::Connector::kBattery, true, 5, 50ms, 3});
  let_pass(150s);
  judge("RECONNECT-PEAK", bus, "highest bus voltage less the rating of the stage while the contact bounces", *watch);
  judge("RECONNECT-RECOVERS", settles, "time from reconnection until within 1 % of the set point for good", *watch);
}

TEST_F(Wiring, NoBatteryIsNotCharged) {
  power_up({.soc_frac = 0.8, .sun = 800_Wpm2});
  battery_connector(false);
  OnTime on{Signal::kGate, limit("NO-BATTERY-GATE")};
  Highest bus{{.signal = Signal::kBusV, .minus = board().stage.max_bus_v, .limit = limit("BATTERY-REMOVED-BUS-PEAK")}};
  const auto watch = watch_with({&on, &bus}, {Signal::kBusV, Signal::kGate});
  let_pass(40s);
  judge("NO-BATTERY-GATE", in_ms(on.figure()), "time that the charging switch was on in 40 s without a battery",
        *watch);
  judge("BATTERY-REMOVED-BUS-PEAK", bus, "highest bus voltage less the rating of the stage", *watch);
}

TEST_F(Wiring, ABatteryOfHalfTheVoltageIsNotBoiled) {
  const auto* battery = std::get_if<plant::LeadAcidParams>(&testing::bench().site.battery);
  if (battery == nullptr || declared().nominal_v < 24.0) {
    return not_applicable("only a lead-acid battery of 24 V or more has a half that may be mistaken for it");
  }
  constexpr double kSmaller = 5.0;
  plant::LeadAcidParams half = *battery;
  half.cells /= 2;
  half.capacity_ah /= kSmaller;  // a small one, in which a minute of full sun shows what hours do in a large one
  for (double* ohm : {&half.r_series_ohm, &half.r_fast_ohm, &half.r_slow_ohm, &half.r_acceptance_ohm}) {
    *ohm *= 0.5 * kSmaller;
  }
  HighestOf worst;
  std::unique_ptr<testing::Watch> watch;
  for (const double soc : {0.05, 0.6, 0.99}) {
    power_up({.soc_frac = soc, .sun = 1000_Wpm2, .other_battery = half});
    Highest peak{{.signal = Signal::kTerminalV, .minus = 0.5 * declared().over_voltage_v, .average_over = 100ms}};
    watch = watch_with({&peak}, {Signal::kTerminalV, Signal::kGate});
    let_pass(60s);
    watch->end();
    worst.add(peak.figure());
  }
  judge("HALF-BATTERY-PEAK", worst.figure(),
        "highest voltage of a battery of half the cells, less half the over-voltage limit, worst of three charges",
        *watch);
}

TEST_F(Wiring, TheBatterySenseWireDropsOutNowAndThen) {
  reach_absorption();
  Highest peak = peak_above_set_point("SENSE-INTERMITTENT-PEAK");
  SettlingTime settles = settling();
  const auto watch = watch_with({&peak}, {Signal::kTerminalV, Signal::kSense0V, Signal::kGate});
  for (int k = 0; k < 24; ++k) {
    sense_fault(Quantity::kBatteryVoltage, SenseFaultKind::kOpen);
    let_pass(Nanos{1'000'000 + 4'300'000 * (k * 7 % 23)});
    sense_fault(Quantity::kBatteryVoltage, SenseFaultKind::kNone);
    let_pass(Nanos{300'000'000 + 130'000'000 * (k * 5 % 11)});
  }
  watch->end();
  const auto recovering = watch_with({&settles});
  let_pass(90s);
  judge("SENSE-INTERMITTENT-PEAK", peak, "highest terminal voltage above the set point during 24 drop-outs", *watch);
  judge("SENSE-INTERMITTENT-RECOVERS", settles,
        "time after the last drop-out until within 1 % of the set point for good", *recovering);
}

TEST_F(Wiring, TheBatterySenseWireTouchesTheSupply) {
  reach_absorption();
  LastOn gate{Signal::kGate, verdict::IfNeverOn::kVacuous};
  const auto watch = watch_with({&gate}, {Signal::kBusV, Signal::kSense0V, Signal::kGate});
  sense_fault(Quantity::kBatteryVoltage, SenseFaultKind::kShortToSupply);
  let_pass(10s);
  judge("SENSE-RAIL-GATE-OFF", gate, "time from the fault until the gate is off for good", *watch);
}

TEST_F(Wiring, ThePanelSenseWireIsLost) {
  if (board().channel_for(Quantity::kPanelVoltage) == nullptr) {
    return not_applicable("this device does not sense the panel");
  }
  for (const SenseFaultKind kind :
       {SenseFaultKind::kOpen, SenseFaultKind::kShortToGround, SenseFaultKind::kShortToSupply}) {
    reach_absorption();
    Highest peak = peak_above_set_point("PANEL-SENSE-PEAK");
    const auto watch = watch_with({&peak}, {Signal::kTerminalV, Signal::kPanelV, Signal::kGate});
    sense_fault(Quantity::kPanelVoltage, kind);
    let_pass(60s);
    judge("PANEL-SENSE-PEAK", peak, "highest terminal voltage above the set point with the panel's sense wire lost",
          *watch);
    if (kind != SenseFaultKind::kShortToSupply) {
      SettlingTime settles = settling();
      const auto recovering = watch_with({&settles});
      sense_fault(Quantity::kPanelVoltage, SenseFaultKind::kNone);
      let_pass(150s);
      judge("PANEL-SENSE-RECOVERS", settles, "time from the wire's return until within 1 % of the set point for good",
            *recovering);
    }
  }
}

TEST_F(Wiring, TheLoadCurrentSenseIsLost) {
  if (board().channel_for(Quantity::kLoadCurrent) == nullptr) {
    return not_applicable("this device does not sense the load current");
  }
  reach_absorption();
  for (const SenseFaultKind kind : {SenseFaultKind::kOpen, SenseFaultKind::kShortToSupply}) {
    sense_fault(Quantity::kLoadCurrent, kind);
    let_pass(5s);
    Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
    const auto watch = watch_with({&mean}, {Signal::kBusV, Signal::kGate, Signal::kLoadSwitch});
    let_pass(15s);
    judge("CURRENT-SENSE-LOST", mean, "mean bus voltage with the load current's sense lost, less the set point",
          *watch);
  }
}

TEST_F(Wiring, ThePanelIsShortedAndThenNot) {
  reach_absorption();
  Restarts restarts;
  Mean reverse{{.signal = Signal::kBatteryA}};
  const auto shorted = watch_with({&restarts, &reverse}, {Signal::kPanelV, Signal::kBatteryA, Signal::kGate});
  happens(scenario::PanelFault{plant::PanelFaultKind::kShorted});
  let_pass(20s);
  shorted->end();
  judge("PANEL-SHORT-RESTARTS", restarts, "times that charging stopped for a second and began again on a shorted panel",
        *shorted);
  judge("PANEL-SHORT-REVERSE", reverse, "mean battery current while the panel is shorted; negative is lost", *shorted);
  SettlingTime settles = settling();
  const auto watch = watch_with({&settles}, {Signal::kBusV, Signal::kPanelV, Signal::kGate});
  happens(scenario::PanelFault{plant::PanelFaultKind::kNone});
  let_pass(120s);
  judge("PANEL-SHORT-RECOVERS", settles, "time from the end of the short until within 1 % of the set point for good",
        *watch);
}

TEST_F(Wiring, ThePanelIsConnectedTheWrongWayRound) {
  power_up({.soc_frac = 0.7});
  happens(scenario::PanelFault{plant::PanelFaultKind::kReversed});
  sun_turns_to(800_Wpm2);
  OnTime on{Signal::kGate, limit("PANEL-REVERSED-GATE")};
  const auto watch = watch_with({&on}, {Signal::kPanelV, Signal::kBatteryA, Signal::kGate});
  let_pass(30s);
  judge("PANEL-REVERSED-GATE", on, "time that the charging switch was on in 30 s on a reversed panel", *watch);
}

TEST_F(Wiring, ASwitchThatIsWeldedShutIsShownAndTheLoadsAreSpared) {
  power_up({.soc_frac = 0.995, .sun = 1000_Wpm2});
  static_cast<void>(await_regulation(declared().absorption_v, 30min));
  const auto& d = declared();
  if (!d.load_high_v || !board().load_output) {
    not_applicable("LOAD-HIGH-OPENS: no disconnection of the loads at high voltage is declared");
  }
  LastOn load{Signal::kLoadSwitch, verdict::IfNeverOn::kVacuous};
  FirstCrossing high{{.signal = Signal::kBusV, .average_over = 20ms},
                     Side::kAbove,
                     d.load_high_v.value_or(1e3),
                     verdict::IfNever::kVacuous};
  if (lithium()) {
    ASSERT_TRUE(come_to_rest()) << "the battery never comes to rest at the set point";
    battery_feeds(0_A);  // all that a welded switch lets through goes into the battery
  }
  const auto watch = watch_with({&load, &high}, {Signal::kBusV, Signal::kFault, Signal::kLoadSwitch, Signal::kGate});
  judge_flag("SWITCH-WELDED-FLAG", scenario::SwitchFault{plant::SwitchFaultKind::kStuckClosed});
  // An old battery under a bright sun, which a current that is not regulated takes far up.
  happens(scenario::BatteryResistance{12.0});
  sun_turns_to(1500_Wpm2);
  let_pass(1min);
  watch->end();
  if (!d.load_high_v || !board().load_output) {
    return;
  }
  Figure opened = load.figure();
  opened.value -= high.figure().value + *d.load_high_delay_s;
  opened.exercised = high.figure().exercised;
  judge("LOAD-HIGH-OPENS", opened, "time from the declared high voltage until the load is off, less the declared delay",
        *watch);
  happens(scenario::SwitchFault{plant::SwitchFaultKind::kNone});
  happens(scenario::BatteryResistance{1.0});
  FirstCrossing back{{.signal = Signal::kLoadSwitch}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto after = watch_with({&back}, {Signal::kBusV, Signal::kLoadSwitch});
  let_pass(4min);
  judge("LOAD-HIGH-CLOSES", back, "time from the end of the fault until the load is on again", *after);
}

TEST_F(Wiring, ADeadGateDriverIsShown) {
  power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
  EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
  let_pass(5s);
  judge_flag("SWITCH-OPEN-FLAG", scenario::SwitchFault{plant::SwitchFaultKind::kDriverDead});
}

TEST_F(Wiring, LostSensorsAreShown) {
  reach_absorption();
  judge_flag("SENSE-OPEN-FLAG", scenario::SenseFault{channel(Quantity::kBatteryVoltage), SenseFaultKind::kOpen});
  if (board().channel_for(Quantity::kBatteryTemperature) == nullptr) {
    return;
  }
  reach_absorption();
  judge_flag("THERMISTOR-OPEN-FLAG",
             scenario::SenseFault{channel(Quantity::kBatteryTemperature), SenseFaultKind::kOpen});
}

}  // namespace
}  // namespace dawnrig::acceptance
