// What the device does when something breaks: battery off, wires open, sensors lost, night, a hung processor.
#include <string>

#include "tests/acceptance/charging.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using plant::SenseFaultKind;
using profile::Quantity;
using verdict::Highest;
using verdict::LastOn;
using verdict::Mean;
using verdict::OnTime;
using verdict::SettlingTime;

class Faults : public Charging {
 protected:
  /// The battery sense wire fails in absorption and in bulk; how long the gate goes on, at worst.
  void judge_lost_sense(SenseFaultKind kind, const std::string& id) {
    const double patience_s = declared().sense_fault_delay_s.value_or(1.0) + 10.0;
    HighestOf worst;
    std::unique_ptr<testing::Watch> watch;
    for (const bool in_absorption : {true, false}) {
      watch.reset();
      if (in_absorption) {
        reach_absorption();
      } else {
        power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
        EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
        let_pass(10s);
      }
      LastOn gate{Signal::kGate, verdict::IfNeverOn::kVacuous};
      watch = watch_with({&gate}, {Signal::kBusV, Signal::kSense0V, Signal::kGate});
      sense_fault(Quantity::kBatteryVoltage, kind);
      let_pass(from_seconds(patience_s));
      watch->end();
      worst.add(gate.figure());
    }
    judge(id, worst.figure(), "time from the fault until the gate is off for good, the worse of absorption and bulk",
          *watch);
  }

  void judge_lost_thermistor(SenseFaultKind kind, const std::string& id) {
    if (!declared().sensor_fault_v || board().channel_for(Quantity::kBatteryTemperature) == nullptr) {
      return not_applicable("this device declares no set point for a lost temperature sensor");
    }
    reach_absorption();
    sense_fault(Quantity::kBatteryTemperature, kind);
    let_pass(from_seconds(2.0 * declared().settle_s));
    Mean mean{{.signal = Signal::kBusV, .minus = *declared().sensor_fault_v}};
    const auto watch = watch_with({&mean});
    let_pass(30s);
    judge(id, mean, "mean bus voltage with the sensor lost, less the declared set point", *watch);
  }
};

TEST_F(Faults, BatteryComesOffUnderFullSun) {
  reach_absorption();
  HighestOf off;
  HighestOf peak;
  std::unique_ptr<testing::Watch> watch;
  for (const double phase : {0.0, 0.25, 0.5, 0.75}) {
    let_pass(1s);
    go_to_phase(phase);
    LastOn gate{Signal::kGate, verdict::IfNeverOn::kVacuous};
    Highest bus{
        {.signal = Signal::kBusV, .minus = board().stage.max_bus_v, .limit = limit("BATTERY-REMOVED-BUS-PEAK")}};
    watch = watch_with({&gate, &bus}, {Signal::kBusV, Signal::kGate});
    battery_connector(false);
    let_pass(3s);
    watch->end();
    off.add(gate.figure());
    peak.add(bus.figure());
    battery_connector(true);
    static_cast<void>(await_regulation(declared().absorption_v, 10min));
  }
  judge("BATTERY-REMOVED-GATE-OFF", in_ms(off.figure()),
        "time from removal until the gate is off for good, worst of 4 phases", *watch);
  judge("BATTERY-REMOVED-BUS-PEAK", peak.figure(),
        "highest bus voltage less the rating of the stage, worst of 4 phases", *watch);
}

TEST_F(Faults, BatterySenseWireComesOff) {
  judge_lost_sense(SenseFaultKind::kOpen, "SENSE-OPEN-GATE-OFF");
}

TEST_F(Faults, BatterySenseWireIsShortedToGround) {
  judge_lost_sense(SenseFaultKind::kShortToGround, "SENSE-SHORT-GATE-OFF");
}

TEST_F(Faults, BatterySenseSticks) {
  if (!declared().stuck_sense_delay_s) {
    return not_applicable("detection of a stuck battery sense is not declared");
  }
  const double declared_s = *declared().stuck_sense_delay_s;
  // Short of the set point under weak sun; then the reading freezes and the sun comes out.
  reach_absorption();
  sun_turns_to(150_Wpm2);
  if (lithium()) {
    ASSERT_TRUE(draw_below(0.985 * declared().absorption_v)) << "the battery could not be drawn down";
  }
  let_pass(60s);
  LastOn gate{Signal::kGate, verdict::IfNeverOn::kVacuous};
  Highest peak{{.signal = Signal::kTerminalV, .minus = declared().over_voltage_v, .limit = limit("SENSE-STUCK-PEAK")}};
  const auto watch = watch_with({&gate, &peak}, {Signal::kTerminalV, Signal::kSense0V, Signal::kGate});
  sense_fault(Quantity::kBatteryVoltage, SenseFaultKind::kStuck);
  sun_turns_to(1000_Wpm2);
  let_pass(from_seconds(declared_s + 30.0));
  judge("SENSE-STUCK-GATE-OFF", less(gate.figure(), declared_s),
        "time until the gate is off for good, less the declared time", *watch);
  judge("SENSE-STUCK-PEAK", peak, "highest terminal voltage above the declared over-voltage limit", *watch);
}

TEST_F(Faults, ThermistorOpens) {
  judge_lost_thermistor(SenseFaultKind::kOpen, "THERMISTOR-OPEN-SETPOINT");
}

TEST_F(Faults, ThermistorIsShorted) {
  judge_lost_thermistor(SenseFaultKind::kShortToGround, "THERMISTOR-SHORT-SETPOINT");
}

TEST_F(Faults, NightFalls) {
  reach_absorption();
  LastOn gate{Signal::kGate, verdict::IfNeverOn::kVacuous};
  const auto dusk = watch_with({&gate}, {Signal::kPanelV, Signal::kBusV, Signal::kGate});
  sun_turns_to(0_Wpm2, 5s);
  let_pass(120s);
  Mean reverse{{.signal = Signal::kPanelA}};
  const auto night = watch_with({&reverse}, {Signal::kPanelA, Signal::kGate});
  let_pass(60s);
  judge("NIGHT-GATE-OFF", gate, "time from dusk until the gate is off for good", *dusk);
  judge("NIGHT-REVERSE-CHARGE", reverse, "mean panel current at night; negative flows back into the panel", *night);
}

TEST_F(Faults, ProcessorHangsAndTheWatchdogBites) {
  if (!declared().watchdog_s) {
    return not_applicable("this device declares no watchdog");
  }
  const double declared_s = *declared().watchdog_s;
  reach_absorption();
  go_to_phase(0.05);
  const auto resets = rig().resets();
  const Nanos stalled = rig().now();
  LastOn gate{Signal::kGate, verdict::IfNeverOn::kVacuous};
  const auto until_reset = watch_with({&gate}, {Signal::kBusV, Signal::kGate});
  if (!rig().stall_processor()) {
    return not_applicable("this rig cannot stall a processor");
  }
  while (rig().resets() == resets && rig().now() < stalled + from_seconds(4.0 * declared_s + 1.0)) {
    let_pass(50us);
  }
  const bool was_reset = rig().resets() > resets;
  until_reset->end();
  Figure off = less(gate.figure(), declared_s);
  off.cut_off = !was_reset;
  judge("WATCHDOG-GATE-OFF", off, "time from the hang until the gate is off, less the declared watchdog time",
        *until_reset);

  OnTime boot{Signal::kGate, limit("WATCHDOG-RESET-GATE")};
  const auto booting = watch_with({&boot}, {Signal::kGate});
  let_pass(100ms);
  booting->end();
  Figure boot_on = in_ms(boot.figure());
  boot_on.exercised = was_reset ? boot_on.exercised : 0;
  judge("WATCHDOG-RESET-GATE", boot_on, "time that the gate was on in the first 100 ms from the reset", *booting);

  SettlingTime settles{{.signal = Signal::kBusV, .average_over = 200ms},
                       declared().absorption_v - band_v(declared().absorption_v),
                       declared().absorption_v + band_v(declared().absorption_v)};
  const auto recovering = watch_with({&settles});
  let_pass(from_seconds(3.0 * declared().settle_s + declared().startup_s + 30.0));
  judge("WATCHDOG-RECOVERS", settles, "time from the reset until within 1 % of the set point for good", *recovering);
}

}  // namespace
}  // namespace dawnrig::acceptance
