// The processor's own troubles: resets, power cuts, its reference, noise, its settings memory, its serial line.
#include <algorithm>
#include <string>
#include <variant>
#include <vector>

#include "plant/sense/network.h"
#include "tests/acceptance/charging.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using profile::Purpose;
using profile::Quantity;
using verdict::Mean;
using verdict::OnTime;
using verdict::PeakToPeak;
using verdict::Toggles;

class Electronics : public Charging {
 protected:
  [[nodiscard]] bool load_is_on() { return rig().latest()[Signal::kLoadSwitch] > 0.5; }
  /// An output that was open all along has nothing to show.
  [[nodiscard]] static Figure only_if(bool closed, Figure figure) {
    figure.exercised = closed ? figure.exercised : 0;
    return figure;
  }
  /// The noise at the pin that so much noise at the battery makes.
  [[nodiscard]] double at_the_pin_v(double battery_noise_v) const {
    const profile::SenseChannel* channel = board().channel_for(Quantity::kBatteryVoltage);
    const double supply_v = board().device.supply_v;
    const double v = declared().absorption_v;
    return plant::resting_pin_v(channel->network, v, supply_v, 25.0) -
           plant::resting_pin_v(channel->network, v - battery_noise_v, supply_v, 25.0);
  }
};

TEST_F(Electronics, TheGateIsOffWhileResetIsHeld) {
  reach_absorption();
  HighestOf worst;
  std::unique_ptr<testing::Watch> watch;
  for (const double phase : {0.02, 0.2, 0.6}) {
    go_to_phase(phase);
    OnTime on{Signal::kGate, limit("RESET-HELD-GATE")};
    happens(scenario::ResetLine{true});
    watch = watch_with({&on}, {Signal::kBusV, Signal::kGate});
    let_pass(1s);
    happens(scenario::ResetLine{false});
    let_pass(200ms);
    watch->end();
    worst.add(in_ms(on.figure()));
    let_pass(12s);
  }
  judge("RESET-HELD-GATE", worst.figure(),
        "time that the gate was on during a reset of a second and 200 ms after it, worst of 3", *watch);
}

TEST_F(Electronics, PowerCutsAndAStormOfResetsLeaveTheSettingsAlone) {
  reach_absorption();
  const auto before = rig().settings_memory();
  if (!before) {
    return not_applicable("this rig cannot look into the settings memory");
  }
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kGate});
  for (int k = 0; k < 20; ++k) {
    happens(scenario::PowerCycle{Nanos{1'000'000 + 17'300'000 * (k * 7 % 19)}});
    let_pass(Nanos{400'000'000 + 97'000'000 * (k * 5 % 13)});
    happens(scenario::ResetLine{true});
    let_pass(Nanos{1'000'000 + 5'000'000 * (k % 7)});
    happens(scenario::ResetLine{false});
    let_pass(Nanos{100'000'000 + 230'000'000 * (k * 3 % 11)});
  }
  let_pass(3s);
  const auto after = rig().settings_memory();
  judge("POWER-CUT-SETTINGS", counted(bytes_changed(before->bytes, after->bytes), rig().resets()),
        "bytes of the settings memory that 20 power cuts and 20 resets have changed", *watch);
  judge("RESET-STORM-WRITES", counted(static_cast<double>(after->writes - before->writes), rig().resets()),
        "bytes written to the settings memory during 20 power cuts and 20 resets", *watch);
}

TEST_F(Electronics, AnOrdinaryDayWearsTheSettingsMemoryLittle) {
  power_up({.soc_frac = 0.9, .sun = 600_Wpm2});
  let_pass(60s);
  const auto before = rig().settings_memory();
  if (!before) {
    return not_applicable("this rig cannot look into the settings memory");
  }
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kGate});
  for (const testing::Irradiance sun : {100_Wpm2, 900_Wpm2, 0_Wpm2, 700_Wpm2}) {
    sun_turns_to(sun, 2s);
    let_pass(60s);
  }
  const auto after = rig().settings_memory();
  judge("SETTINGS-WEAR", counted(static_cast<double>(after->writes - before->writes)),
        "bytes written to the settings memory in four minutes with a dusk and a dawn", *watch);
}

TEST_F(Electronics, AReferenceThatHasDriftedMovesTheVoltageByAsMuchAndNoMore) {
  reach_absorption();
  FarthestOff worst;
  HighestOf swing;
  std::unique_ptr<testing::Watch> watch;
  for (const double error : {0.02, -0.02}) {
    happens(scenario::ReferenceError{error});
    // What the pin shows is as before; what it is compared with is not. An offset network shifts the battery by less.
    const double pin_v = at_the_pin_v(1.0);
    const double full_v = plant::resting_pin_v(board().channel_for(Quantity::kBatteryVoltage)->network,
                                               declared().absorption_v, board().device.supply_v, 25.0);
    const double expected_v = declared().absorption_v + error * full_v / pin_v;
    const bool there = !lithium() || follow_set_point(expected_v);
    let_pass(from_seconds(2.0 * declared().settle_s));
    Mean mean{{.signal = Signal::kBusV, .minus = expected_v}};
    PeakToPeak wander{{.signal = Signal::kBusV, .average_over = 50ms}};
    watch = watch_with({&mean, &wander});
    let_pass(20s);
    watch->end();
    worst.add(only_if(there, mean.figure()));
    swing.add(wander.figure());
  }
  judge("REFERENCE-DRIFT", worst.figure(),
        "mean bus voltage less the set point as a reference 2 % off shifts it, the worse of two", *watch);
  judge("RIPPLE-SLOW", swing.figure(), "swing of the bus voltage averaged over 50 ms, with a reference 2 % off",
        *watch);
}

TEST_F(Electronics, NoiseOnTheBatterySenseBiasesNothingAndTripsNothing) {
  reach_absorption();
  happens(scenario::Noise{board().channel_for(Quantity::kBatteryVoltage)->name, at_the_pin_v(0.1 * scale())});
  let_pass(from_seconds(declared().settle_s));
  Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
  Restarts restarts;
  const bool closed = load_is_on();
  Toggles load{Signal::kLoadSwitch, limit("NOISE-LOAD")};
  PeakToPeak wander{{.signal = Signal::kBusV, .average_over = 50ms}};
  const auto watch = watch_with({&mean, &restarts, &load, &wander}, {Signal::kBusV, Signal::kSense0V, Signal::kGate});
  let_pass(60s);
  judge("NOISE-BIAS", mean, "mean bus voltage less the set point, with noise of 0.1 V per 12 V rms at the battery",
        *watch);
  judge("NOISE-RESTARTS", restarts, "times that charging stopped for a second and began again in a minute of noise",
        *watch);
  judge("NOISE-WANDER", wander, "swing of the bus voltage averaged over 50 ms, in a minute of noise", *watch);
  if (board().load_output) {
    judge("NOISE-LOAD", only_if(closed, load.figure()), "changes of the load output in a minute of noise", *watch);
  }
}

TEST_F(Electronics, LoadsThatChopBesideThePwmOrHumBiasNothingAndTripNothing) {
  reach_absorption();
  PulseRate pwm;
  {
    const auto counting = watch_with({&pwm});
    let_pass(2s);
  }
  // Beside the PWM the two beat, and the load's current is met anywhere; a rectifier or an inverter at the battery hums
  // with twice the mains.
  struct Chopping {
    double rate_hz;
    bool at_the_battery;
  };
  std::vector<Chopping> ways{{100.0, true}, {120.0, true}};
  constexpr double kSlowestPwmHz = 50.0;
  if (pwm.figure().value > kSlowestPwmHz && pwm.figure().value < 900.0) {  // a kilohertz is the most that a load chops
    const bool no_output = !board().load_output;
    ways.insert(ways.begin(), {{pwm.figure().value - 1.0, no_output}, {pwm.figure().value + 1.0, no_output}});
  } else {
    not_applicable("CHOPPED-LOAD-BIAS: beside this device's own switching no load chops; hum is judged");
  }
  std::vector<profile::SiteLoad> choppers;
  const double most_a = 0.8 * array_a(1000_Wpm2);
  for (const Chopping& way : ways) {
    const plant::PulsedParams half_on{
        .transmit_a = way.at_the_battery ? most_a : std::min(most_a, declared().rated_load_a.value_or(most_a)),
        .receive_a = 0.0,
        .transmit = from_seconds(0.5 / way.rate_hz),
        .period = from_seconds(1.0 / way.rate_hz)};
    choppers.push_back({"chopper " + std::to_string(choppers.size()), {half_on, way.at_the_battery}, false});
  }
  power_up({.soc_frac = 0.985, .sun = 1000_Wpm2, .other_loads = choppers});
  static_cast<void>(await_regulation(declared().absorption_v, 5min));
  FarthestOff worst;
  HighestOf wander;
  Restarts restarts;
  const bool closed = load_is_on();
  Toggles load{Signal::kLoadSwitch, limit("CHOPPED-LOAD-OUTPUT")};
  const auto whole = watch_with({&restarts, &load}, {Signal::kBusV, Signal::kLoadA, Signal::kGate});
  std::unique_ptr<testing::Watch> watch;
  for (const profile::SiteLoad& chopper : choppers) {
    happens(scenario::LoadSwitching{chopper.name, true, 1.0});
    let_pass(10s);
    Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
    PeakToPeak swing{{.signal = Signal::kBusV, .average_over = 200ms}};
    Mean drawn{{.signal = Signal::kLoadA}};
    watch = watch_with({&mean, &swing, &drawn}, {Signal::kBusV, Signal::kLoadA, Signal::kGate});
    let_pass(10s);
    watch->end();
    happens(scenario::LoadSwitching{chopper.name, false, 1.0});
    if (drawn.figure().value < 0.1 * array_a(1000_Wpm2)) continue;  // behind an output that is off it chops nothing
    worst.add(mean.figure());
    wander.add(swing.figure());
  }
  judge("CHOPPED-LOAD-BIAS", worst.figure(),
        "mean bus voltage less the set point, the worst of loads that chop beside the PWM and at 100 and 120 Hz",
        *watch);
  judge("CHOPPED-LOAD-WANDER", less(wander.figure(), declared().regulation_hysteresis_v.value_or(0.0)),
        "swing of the bus voltage averaged over 200 ms, less a declared hysteresis, the worst of those loads", *watch);
  judge("CHOPPED-LOAD-RESTARTS", restarts,
        "times that charging stopped for a second and began again beside those loads", *whole);
  if (board().load_output) {
    judge("CHOPPED-LOAD-OUTPUT", only_if(closed, load.figure()), "changes of the load output beside those loads",
          *whole);
  }
}

TEST_F(Electronics, WhateverTheSettingsMemoryHoldsTheVoltageIsADeclaredOne) {
  if (board().hooks.settings_images.empty()) {
    return not_applicable("the profile names no contents of the settings memory to try");
  }
  if (testing::bench().rig.kind == testing::RigKind::kBench) {
    return not_applicable("this rig cannot write the settings memory before power-up");
  }
  FarthestOff worst;
  std::unique_ptr<testing::Watch> watch;
  for (const profile::SettingsImage& image : board().hooks.settings_images) {
    power_up({.soc_frac = 0.985, .sun = 1000_Wpm2, .settings = image.bytes});
    rig().mark("settings memory " + image.name);
    static_cast<void>(await_regulation(image.absorption_v, 5min));
    Mean mean{{.signal = Signal::kBusV, .minus = image.absorption_v}};
    watch = watch_with({&mean});
    let_pass(5s);
    watch->end();
    worst.add(mean.figure());
  }
  judge("SETTINGS-IMAGES", worst.figure(),
        "mean bus voltage less the one declared for what the settings memory holds, the worst of all", *watch);
}

TEST_F(Electronics, BadSettingsAreRefused) {
  if (board().hooks.texts_for(Purpose::kBadSetting).empty()) {
    return not_applicable("the profile names no settings that must be refused");
  }
  reach_absorption();
  const auto before = rig().settings_memory();
  const bool closed = load_is_on();
  Toggles load{Signal::kLoadSwitch, limit("BAD-SETTINGS-LOAD")};
  const auto whole = watch_with({&load}, {Signal::kBusV, Signal::kGate, Signal::kLoadSwitch});
  instruct(Purpose::kBadSetting);
  let_pass(from_seconds(declared().settle_s));
  Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
  const auto watch = watch_with({&mean}, {Signal::kBusV, Signal::kGate, Signal::kLoadSwitch});
  let_pass(15s);
  judge("BAD-SETTINGS-VOLTAGE", mean, "mean bus voltage less the set point after settings that must be refused",
        *watch);
  if (board().load_output) {
    judge("BAD-SETTINGS-LOAD", only_if(closed, load.figure()),
          "changes of the load output while settings are given that must be refused", *whole);
  }
}

TEST_F(Electronics, AFloodOnTheSerialLineDisturbsNothing) {
  const auto floods = board().hooks.texts_for(Purpose::kFlood);
  if (floods.empty()) {
    return not_applicable("the profile names nothing to flood the serial line with");
  }
  reach_absorption();
  const auto resets = rig().resets();
  Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
  PeakToPeak wander{{.signal = Signal::kBusV, .average_over = 50ms}};
  const auto watch = watch_with({&mean, &wander}, {Signal::kBusV, Signal::kGate});
  // As many bytes as the line carries.
  const double bytes_per_s = static_cast<double>(board().hooks.serial_baud) / 10.0;
  for (int k = 0; k < 100; ++k) {
    std::string burst;
    while (static_cast<double>(burst.size()) < 0.1 * bytes_per_s) {
      burst += floods[static_cast<std::size_t>(k) % floods.size()];
    }
    happens(scenario::SerialInput{burst});
    let_pass(100ms);
  }
  judge("FLOOD-VOLTAGE", mean, "mean bus voltage less the set point during ten seconds of flood", *watch);
  judge("FLOOD-WANDER", wander, "swing of the bus voltage averaged over 50 ms during ten seconds of flood", *watch);
  judge("FLOOD-RESETS", counted(static_cast<double>(rig().resets() - resets)), "resets during ten seconds of flood",
        *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
