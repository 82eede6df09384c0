// The load output under current: compensation, inrush, overload, short circuit, too much voltage, night and day.
#include <vector>

#include "tests/acceptance/load_bench.h"

namespace dawnrig::acceptance {
namespace {

using testing::Irradiance;
using verdict::FirstCrossing;
using verdict::LastOn;
using verdict::OnTime;
using verdict::Side;
using verdict::Toggles;

class LoadCurrent : public LoadBench {
 protected:
  /// The present time, and how long from there until the load output is off for good within `watched`.
  Figure off_after(Amperes load, Nanos watched, std::unique_ptr<testing::Watch>& watch) {
    LastOn on{Signal::kLoadSwitch, verdict::IfNeverOn::kVacuous};
    watch = watch_with({&on}, {Signal::kLoadA, Signal::kBusV, Signal::kLoadSwitch});
    load_draws(load);
    let_pass(watched);
    watch->end();
    return on.figure();
  }
};

/// Counts how often a switch closes.
class Closures final : public verdict::Monitor {
 public:
  void on_sample(const trace::Sample& sample) override {
    const bool on = sample[Signal::kLoadSwitch] > 0.5;
    if (on && seen_ && !was_on_) {
      ++figure_.value;
      figure_.worst = sample.time;
    }
    seen_ = true;
    was_on_ = on;
    ++figure_.exercised;
  }
  void on_stretch(const trace::Stretch& stretch) override {  // the switch holds in it
    on_sample(stretch.end());
    figure_.exercised += static_cast<std::int64_t>(stretch.steps()) - 1;
  }
  [[nodiscard]] Figure figure() const override { return figure_; }

 private:
  Figure figure_;
  bool seen_{false}, was_on_{false};
};

TEST_F(LoadCurrent, LowersTheDisconnectVoltageAsDeclared) {
  if (nothing_declared()) {
    return;
  }
  const auto& d = declared();
  if (!d.load_compensation_ohm || !d.rated_load_a) {
    return not_applicable("the disconnect voltage is not declared to follow the load current");
  }
  FarthestOff worst;
  std::unique_ptr<testing::Watch> watch;
  for (const double share : {0.1, 0.5, 0.95}) {
    const double load_a = share * *d.rated_load_a;
    const double level_v = *d.load_disconnect_v - *d.load_compensation_ohm * load_a;
    power_up({.soc_frac = 0.3});
    ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
    load_draws(Amperes{load_a});
    let_pass(2s);
    draw(current_for(level_v + 0.3 * scale()));  // above where it would open if the current raised it
    BusHistory history;
    rig().attach(history);
    watch = watch_with({}, {Signal::kBusV, Signal::kLoadA, Signal::kLoadSwitch});
    const bool opened = creep(+1.0, false, 10min);
    worst.add(level_before(history, rig().now(), d.load_disconnect_delay_s.value_or(0.0), level_v, opened));
    rig().detach(history);
    watch->end();
  }
  judge("LOAD-DISCONNECT-COMPENSATION", worst.figure(),
        "bus voltage when the disconnect delay began less the declared one, the worst of 10, 50 and 95 % load", *watch);
}

TEST_F(LoadCurrent, RidesThroughAnInrush) {
  if (!board().load_output) {
    return not_applicable("this device has no load output");
  }
  power_up({.soc_frac = 0.5});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a half-full battery";
  Toggles switching{Signal::kLoadSwitch, limit("LOAD-INRUSH")};
  const auto watch = watch_with({&switching}, {Signal::kLoadA, Signal::kBusV, Signal::kLoadSwitch});
  for (int i = 0; i < 5; ++i) {
    load_draws(40_A);
    let_pass(20ms);
    load_draws(4_A);
    let_pass(3s + i * 7ms);
  }
  judge("LOAD-INRUSH", switching, "changes of the load output during five inrushes of 40 A for 20 ms", *watch);
}

TEST_F(LoadCurrent, CarriesWhatItIsRatedForAndLetsGoOfMore) {
  const auto& d = declared();
  if (!d.load_overload_a || !d.load_overload_delay_s) {
    return not_applicable("no overload protection of the load output is declared");
  }
  power_up({.soc_frac = 0.8});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  Toggles carried{Signal::kLoadSwitch, limit("LOAD-RATED-HOLDS")};
  const auto carrying = watch_with({&carried}, {Signal::kLoadA, Signal::kLoadSwitch});
  load_draws(Amperes{0.95 * *d.load_overload_a});
  let_pass(from_seconds(5.0 * *d.load_overload_delay_s + 5.0));
  judge("LOAD-RATED-HOLDS", carried, "changes of the load output while it carries 95 % of the overload current",
        *carrying);

  std::unique_ptr<testing::Watch> watch;
  const Figure off = off_after(Amperes{1.2 * *d.load_overload_a}, from_seconds(*d.load_overload_delay_s + 2.0), watch);
  judge("LOAD-OVERLOAD-TRIPS", less(off, *d.load_overload_delay_s),
        "time from 120 % of the overload current until the load is off, less the declared delay", *watch);
}

TEST_F(LoadCurrent, LetsGoOfAShortCircuit) {
  const auto& d = declared();
  if (!d.load_short_a || !d.load_short_delay_s) {
    return not_applicable("no short-circuit protection of the load output is declared");
  }
  power_up({.soc_frac = 0.8});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  std::unique_ptr<testing::Watch> watch;
  const Figure off = off_after(Amperes{3.0 * *d.load_short_a}, 2s, watch);
  judge("LOAD-SHORT-TRIPS", less(off, *d.load_short_delay_s),
        "time from three times the short-circuit current until the load is off, less the declared delay", *watch);
}

TEST_F(LoadCurrent, GivesUpAfterTheDeclaredTries) {
  const auto& d = declared();
  if (!d.load_overload_a || d.load_tries == 0 || !d.load_tries_over_s) {
    return not_applicable("no retries after an overload are declared");
  }
  power_up({.soc_frac = 0.8});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  Closures closures;
  LastOn last{Signal::kLoadSwitch, verdict::IfNeverOn::kVacuous};
  const auto watch = watch_with({&closures, &last}, {Signal::kLoadA, Signal::kLoadSwitch, Signal::kFault});
  load_draws(Amperes{1.2 * *d.load_overload_a});
  let_pass(from_seconds(*d.load_tries_over_s + 120.0));
  judge("LOAD-TRIES", less(closures.figure(), d.load_tries),
        "times that the load output closed again on an overload that stayed, less the declared number", *watch);
  judge("LOAD-GIVES-UP", less(last.figure(), *d.load_tries_over_s),
        "time until the load is off for good, less the declared time", *watch);
}

TEST_F(LoadCurrent, KeepsALowBatteryOffThroughResets) {
  if (nothing_declared()) {
    return;
  }
  power_up({.soc_frac = 0.25});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  draw(current_for(0.97 * *declared().load_disconnect_v));
  ASSERT_TRUE(await_load(false, 120s)) << "the load output never opened";
  let_pass(5s);
  // Between the two levels: the load must stay as it was.
  draw(current_for(0.5 * (*declared().load_disconnect_v + *declared().load_reconnect_v)));
  let_pass(2s);
  OnTime on{Signal::kLoadSwitch, limit("LOAD-RESET-STAYS-OFF")};
  const auto watch = watch_with({&on}, {Signal::kBusV, Signal::kLoadSwitch});
  for (const Nanos off : {Nanos{200ms}, Nanos{2s}}) {
    happens(scenario::PowerCycle{off});
    let_pass(off + 12s);
    happens(scenario::ResetLine{true});
    let_pass(off);
    happens(scenario::ResetLine{false});
    let_pass(12s);
  }
  Figure figure = on.figure();
  figure.exercised = rig().resets() > 0 ? figure.exercised : 0;
  judge("LOAD-RESET-STAYS-OFF", figure, "time that the load was on after resets, having been disconnected before",
        *watch);
}

TEST_F(LoadCurrent, DoesNotChatterOnATiredBattery) {
  if (nothing_declared()) {
    return;
  }
  power_up({.soc_frac = 0.3});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  // The load pulls the battery below the disconnect level in spite of the sun, by resistance alone; released, the sun
  // brings it up again.
  const double load_a = 0.8 * declared().rated_load_a.value_or(10.0);
  const Nanos delay = from_seconds(declared().load_disconnect_delay_s.value_or(0.0) + 2.0);
  sun_turns_to(400_Wpm2);
  load_draws(Amperes{load_a});
  Toggles toggles{Signal::kLoadSwitch, limit("LOAD-CHATTER")};
  const auto watch = watch_with({&toggles}, {Signal::kBusV, Signal::kLoadA, Signal::kLoadSwitch});
  for (double factor = 4.0; factor < 200.0 && rig().latest()[Signal::kLoadSwitch] > 0.5; factor *= 1.3) {
    happens(scenario::BatteryResistance{factor});
    let_pass(delay);
  }
  let_pass(10min);
  Figure figure = toggles.figure();
  figure.exercised = figure.value > 0 ? figure.exercised : 0;
  judge("LOAD-CHATTER", figure, "changes of the load output in ten minutes on a battery of high resistance", *watch);
}

TEST_F(LoadCurrent, FollowsDuskAndDawnAndNothingElse) {
  if (!declared().lighting_delay_s || board().hooks.texts_for(profile::Purpose::kLighting).empty()) {
    return not_applicable("no lighting from dusk to dawn is declared");
  }
  const double delay_s = *declared().lighting_delay_s;
  power_up({.soc_frac = 0.8, .sun = 500_Wpm2});
  let_pass(from_seconds(declared().startup_s));
  instruct(profile::Purpose::kLighting);
  let_pass(from_seconds(delay_s + 5.0));
  Toggles switching{Signal::kLoadSwitch, limit("LIGHTING-TOGGLES")};
  FirstCrossing lit{{.signal = Signal::kLoadSwitch}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto evening = watch_with({&switching}, {Signal::kPoaWpm2, Signal::kPanelV, Signal::kLoadSwitch});
  // Dusk that flickers, then the night's accidents: lightning and passing headlights.
  for (const double sun : {60.0, 8.0, 1.0, 0.05, 0.2, 0.02, 0.004, 0.02, 0.003, 0.01, 0.0}) {
    sun_turns_to(Irradiance{sun}, 5s);
    let_pass(from_seconds(0.4 * delay_s));
  }
  const auto dark = watch_with({&lit}, {Signal::kPoaWpm2, Signal::kLoadSwitch});
  let_pass(from_seconds(delay_s + 20.0));
  dark->end();
  for (int i = 0; i < 3; ++i) {
    sun_turns_to(400_Wpm2);
    let_pass(100ms);
    sun_turns_to(20_Wpm2);
    let_pass(from_seconds(0.5 * delay_s));
    sun_turns_to(0_Wpm2);
    let_pass(from_seconds(delay_s));
  }
  evening->end();
  judge("LIGHTING-TOGGLES", switching, "changes of the load output during a flickering dusk and a night with lightning",
        *evening);
  judge("LIGHTING-COMES-ON", less(lit.figure(), delay_s),
        "time from darkness until the lamps are on, less the declared delay", *dark);
  LastOn off{Signal::kLoadSwitch, verdict::IfNeverOn::kVacuous};
  const auto dawn = watch_with({&off}, {Signal::kPoaWpm2, Signal::kLoadSwitch});
  sun_turns_to(200_Wpm2, 10s);
  let_pass(from_seconds(delay_s + 60.0));
  judge("LIGHTING-GOES-OUT", less(off.figure(), delay_s),
        "time from dawn until the lamps are off, less the declared delay", *dawn);
}

}  // namespace
}  // namespace dawnrig::acceptance
