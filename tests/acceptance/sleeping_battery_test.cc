// A lithium battery whose protection board has opened: what the device does with dead wires under the sun, and once
// somebody has woken the battery.
#include <variant>

#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Amperes;
using verdict::FirstCrossing;
using verdict::Highest;
using verdict::OnTime;
using verdict::Side;

class SleepingBattery : public testing::Acceptance {
 protected:
  static constexpr double kWokenAfterS = 90.0;

  /// Power-up at night on cells that are almost empty, which a heavy load then takes to where their board opens. It
  /// closes again by itself, as if somebody had woken it, kWokenAfterS later. False: it did not open.
  bool fall_asleep() {
    auto battery = std::get<plant::LiFePo4Params>(testing::bench().site.battery);
    battery.protection.release_delay_s = kWokenAfterS;
    power_up({.soc_frac = 0.03, .other_battery = battery});
    let_pass(from_seconds(declared().startup_s));
    for (double current = 20.0; current < 2000.0; current *= 1.5) {
      battery_feeds(Amperes{current});
      let_pass(2s);
      if (rig().plant_state().protection.open) {
        battery_feeds(0_A);
        return true;
      }
    }
    return false;
  }
};

TEST_F(SleepingBattery, IsRefusedAndShownAndChargedOnceItIsAwake) {
  const auto* site = std::get_if<plant::LiFePo4Params>(&testing::bench().site.battery);
  if (site == nullptr || !site->protection.fitted) {
    return not_applicable("only a lithium battery has a protection board that opens");
  }
  HighestOf on_time;
  HighestOf bus_peak;
  HighestOf shown_after;
  HighestOf begins_after;
  std::unique_ptr<testing::Watch> asleep;
  std::unique_ptr<testing::Watch> awake;
  for (const bool restarted : {false, true}) {
    ASSERT_TRUE(fall_asleep()) << "the protection board did not open";
    const Nanos asleep_since = rig().now();
    if (restarted) {
      happens(scenario::PowerCycle{2s});
      let_pass(3s);
    }
    OnTime on{Signal::kGate, limit("ASLEEP-GATE")};
    Highest bus{
        {.signal = Signal::kBusV, .minus = board().stage.max_bus_v, .limit = limit("BATTERY-REMOVED-BUS-PEAK")}};
    FirstCrossing shown{{.signal = Signal::kFault}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
    asleep = watch_with({&on, &bus, &shown}, {Signal::kBusV, Signal::kPanelV, Signal::kGate, Signal::kFault});
    sun_turns_to(800_Wpm2, 1s);
    let_pass(60s);
    asleep->end();
    Figure on_figure = in_ms(on.figure());
    on_figure.exercised = 1;
    on_time.add(on_figure);
    bus_peak.add(bus.figure());
    Figure flag = shown.figure();
    flag.exercised = 1;
    shown_after.add(flag);
    while (rig().plant_state().protection.open && rig().now() < asleep_since + from_seconds(2.0 * kWokenAfterS)) {
      let_pass(1s);
    }
    ASSERT_FALSE(rig().plant_state().protection.open) << "the battery was not woken";
    FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
    awake = watch_with({&begins}, {Signal::kBusV, Signal::kGate, Signal::kFault});
    let_pass(90s);
    awake->end();
    begins_after.add(begins.figure());
  }
  judge("ASLEEP-GATE", on_time.figure(),
        "time that the charging switch was on in a minute of sun on an open battery, the longer of two", *asleep);
  judge("BATTERY-REMOVED-BUS-PEAK", bus_peak.figure(), "highest bus voltage less the rating of the stage", *asleep);
  if (board().fault_output && declared().flag_delay_s && rig().sees_fault_output()) {
    judge("ASLEEP-FLAG", less(shown_after.figure(), *declared().flag_delay_s),
          "time from sunrise on an open battery until the fault output shows it, less the declared time, the longer of "
          "two",
          *asleep);
  }
  judge("AWAKE-CHARGES", begins_after.figure(),
        "time from the battery's waking until charging begins, the longer of two", *awake);
}

}  // namespace
}  // namespace dawnrig::acceptance
