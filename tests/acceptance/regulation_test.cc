// How well the set points are held, in steady sun and when sun and load change.
#include <algorithm>
#include <variant>
#include <vector>

#include "tests/acceptance/charging.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Amperes;
using testing::Irradiance;
using verdict::Highest;
using verdict::Mean;
using verdict::PeakToPeak;
using verdict::SettlingTime;
using verdict::TimeAbove;
using verdict::Toggles;
using verdict::Watching;

class Regulation : public Charging {
 protected:
  [[nodiscard]] double set_point_v() const { return declared().absorption_v; }
  [[nodiscard]] SettlingTime settling(Nanos average_over) const {
    const double band = band_v(set_point_v());
    return SettlingTime{
        {.signal = Signal::kBusV, .average_over = average_over}, set_point_v() - band, set_point_v() + band};
  }
};

TEST_F(Regulation, TakesAllThatTheArrayGivesInBulk) {
  power_up({.soc_frac = 0.6, .sun = 600_Wpm2});
  let_pass(from_seconds(declared().startup_s + declared().settle_s));
  verdict::OnFraction duty{Signal::kGate};
  Highest voltage{{.signal = Signal::kBusV, .average_over = 1s}};
  const auto watch = watch_with({&duty, &voltage});
  let_pass(60s);
  Figure figure = duty.figure();
  // Only what is still well below the set point is bulk; a device at its set point has every reason to hold back.
  figure.exercised = voltage.figure().value < 0.98 * set_point_v() ? figure.exercised : 0;
  judge("BULK-CHARGE", figure, "share of time that the charging switch is on over a minute of bulk", *watch);
}

TEST_F(Regulation, HoldsTheAbsorptionVoltageFromHalfSunToFullSun) {
  reach_absorption();
  FarthestOff worst;
  std::vector<double> means;
  std::unique_ptr<testing::Watch> watch;
  for (const Irradiance sun : {1000_Wpm2, 700_Wpm2, 500_Wpm2}) {
    sun_turns_to(sun, 2s);
    let_pass(from_seconds(declared().settle_s));
    Mean mean{{.signal = Signal::kBusV, .minus = set_point_v()}};
    verdict::OnFraction duty{Signal::kGate};
    watch = watch_with({&mean, &duty});
    let_pass(30s);
    watch->end();
    // Where the whole array is not enough, the device has nothing to regulate with.
    const bool array_suffices = duty.figure().value < kHoldsBackFrac;
    if (array_suffices || sun == 1000_Wpm2) {
      worst.add(mean.figure());
      means.push_back(mean.figure().value);
    }
  }
  judge("SETPOINT-SPREAD", verdict::spread_of(means), "spread of the voltages held in full, 70 and 50 % sun", *watch);
  judge("SETPOINT-ABSORPTION", worst.figure(), "mean bus voltage over 30 s less the set point, the worst of three suns",
        *watch);
  judge_if_asked("LEVEL-ABSORPTION", less(worst.figure(), -set_point_v()),
                 "mean bus voltage held in absorption, the farthest from the set point of three suns", *watch);
}

TEST_F(Regulation, RidesThroughLoadStepsAtEveryPhaseOfThePwmCycle) {
  constexpr int kPhases = 20;
  reach_absorption();
  if (board().load_output) {
    ASSERT_TRUE(await_load(true, 120s)) << "the load output stays off on a full battery";
  }
  Mean battery{{.signal = Signal::kBatteryA}};
  verdict::OnFraction duty{Signal::kGate};
  {
    const auto measuring = watch_with({&battery, &duty});
    let_pass(5s);
  }
  // What all of the time would give, where a part of it gives what the battery takes: near its knee that is less than
  // the array's light current.
  const double array_gives_a =
      std::min(array_a(1000_Wpm2), battery.figure().value / std::max(0.05, duty.figure().value));
  const double load_a = std::min(0.8 * array_a(1000_Wpm2), 0.8 * (array_gives_a - battery.figure().value));
  ASSERT_GT(load_a, 0.0) << "the array gives less than the battery takes";

  HighestOf peak;
  HighestOf above;
  HighestOf recovery;
  Toggles switching{Signal::kLoadSwitch, limit("LOAD-STEP-NO-DISCONNECT")};
  const auto whole = watch_with({&switching}, {Signal::kBusV, Signal::kGate, Signal::kLoadSwitch});
  std::unique_ptr<testing::Watch> release;
  std::unique_ptr<testing::Watch> step;
  for (int k = 0; k < kPhases; ++k) {
    go_to_phase(static_cast<double>(k) / kPhases);
    load_draws(Amperes{load_a});
    SettlingTime settles = settling(100ms);
    step = watch_with({&settles}, {Signal::kBusV, Signal::kLoadA});
    let_pass(12s);
    step->end();
    recovery.add(settles.figure());

    go_to_phase(static_cast<double>(k) / kPhases);
    Highest highest{{.signal = Signal::kTerminalV, .minus = set_point_v(), .limit = limit("LOAD-RELEASE-PEAK")}};
    TimeAbove beyond{{.signal = Signal::kTerminalV, .limit = limit("LOAD-RELEASE-TIME-ABOVE")},
                     set_point_v() + band_v(set_point_v())};
    release = watch_with({&highest, &beyond}, {Signal::kTerminalV, Signal::kLoadA, Signal::kGate});
    load_draws(0_A);
    let_pass(8s);
    release->end();
    peak.add(highest.figure());
    above.add(beyond.figure());
  }
  // Of that load: the array could now lift the voltage, too.
  FarthestOff moved;
  std::unique_ptr<testing::Watch> held;
  for (const double share : {0.35, 0.7}) {
    const double unloaded_v = mean_of(Signal::kBusV, 4s);
    load_draws(Amperes{share * load_a});
    let_pass(8s);
    Mean loaded{{.signal = Signal::kBusV, .minus = unloaded_v}};
    held = watch_with({&loaded}, {Signal::kBusV, Signal::kLoadA, Signal::kGate});
    let_pass(4s);
    held->end();
    moved.add(loaded.figure());
    load_draws(0_A);
    let_pass(6s);
  }
  judge("LOAD-RELEASE-PEAK", peak.figure(),
        "highest terminal voltage above the set point after release, worst of 20 phases", *release);
  judge("LOAD-RELEASE-TIME-ABOVE", above.figure(),
        "time more than 1 % above the set point after release, worst of 20 phases", *release);
  judge("LOAD-STEP-RECOVERY", recovery.figure(), "time from load step until within 1 % for good, worst of 20 phases",
        *step);
  judge("SETPOINT-UNDER-LOAD", moved.figure(),
        "mean voltage under a load that leaves the array to spare, less that without it", *held);
  if (board().load_output) {
    judge("LOAD-STEP-NO-DISCONNECT", switching, "changes of the load output during 20 load steps", *whole);
  } else {
    not_applicable("LOAD-STEP-NO-DISCONNECT: this device has no load output");
  }
}

TEST_F(Regulation, HoldsStillOnAnAgedBattery) {
  reach_absorption();
  happens(scenario::BatteryResistance{4.0});
  let_pass(from_seconds(2.0 * declared().settle_s));
  PeakToPeak voltage{{.signal = Signal::kBusV, .average_over = 50ms, .limit = limit("AGED-RIPPLE")}};
  Mean mean{{.signal = Signal::kBusV, .minus = set_point_v()}};
  const auto watch = watch_with({&voltage, &mean}, {Signal::kBusV, Signal::kGate});
  let_pass(30s);
  watch->end();
  judge("AGED-RIPPLE", less(voltage.figure(), declared().regulation_hysteresis_v.value_or(0.0)),
        "swing of the bus voltage averaged over 50 ms, on four times the resistance", *watch);
  judge("AGED-SETPOINT", mean, "mean bus voltage less the set point, on four times the resistance", *watch);
}

TEST_F(Regulation, SwitchesAtTheDeclaredHysteresis) {
  if (!declared().regulation_hysteresis_v) {
    return not_applicable("this device regulates without pause: it declares no switching hysteresis");
  }
  reach_absorption();
  SwitchingLevels levels;
  const auto watch = watch_with({&levels}, {Signal::kBusV, Signal::kGate});
  let_pass(3min);
  judge("REGULATION-HYSTERESIS", less(levels.figure(), *declared().regulation_hysteresis_v),
        "mean bus voltage at switching off less that at switching on, less the declared hysteresis", *watch);
  std::vector<double> apart_v{levels.figure().value};
  for (const double degc : {0.0, 45.0}) {  // board and battery
    happens(scenario::AmbientTemperature{degc});
    battery_is_at(testing::Temperature{degc});
    let_pass(60s);
    SwitchingLevels there;
    const auto watching = watch_with({&there});
    let_pass(2min);
    if (there.figure().exercised > 0) apart_v.push_back(there.figure().value);
  }
  ASSERT_EQ(apart_v.size(), 3U) << "too cold or too warm it did not switch";
  judge("REGULATION-HYSTERESIS-TEMPERATURE", verdict::spread_of(apart_v),
        "spread of the distance between its switching voltages at 0, 25 and 45 degC", *watch);
}

TEST_F(Regulation, LosesLittleVoltageOnTheWayIn) {
  power_up({.soc_frac = 0.6, .sun = 1000_Wpm2});
  let_pass(from_seconds(declared().startup_s + declared().settle_s));
  Mean panel{{.signal = Signal::kPanelV}};
  Mean bus{{.signal = Signal::kBusV}};
  verdict::OnFraction duty{Signal::kGate};
  const auto watch = watch_with({&panel, &bus, &duty}, {Signal::kPanelV, Signal::kBusV, Signal::kGate});
  let_pass(5s);
  watch->end();
  if (!std::holds_alternative<plant::SeriesPwmParams>(board().stage.topology)) {
    return not_applicable("only of a series stage is the drop from panel to battery a loss");
  }
  Figure drop = less(panel.figure(), bus.figure().value + array_a(1000_Wpm2) * testing::bench().site.panel_cable_ohm);
  drop.exercised = duty.figure().value > 0.99 ? drop.exercised : 0;
  judge("CHARGE-PATH-DROP", drop, "voltage between the panel's and the battery's terminals of the board in full sun",
        *watch);
}

TEST_F(Regulation, SettlesAfterTheSunComesUpInOneStep) {
  reach_absorption();
  sun_turns_to(100_Wpm2);
  let_pass(60s);
  SettlingTime settles = settling(200ms);
  const auto watch = watch_with({&settles}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kGate});
  sun_turns_to(1000_Wpm2);
  let_pass(90s);
  judge("SUN-STEP-SETTLING", settles, "time from the step until within 1 % of the set point for good", *watch);
}

TEST_F(Regulation, NeitherHuntsNorChatters) {
  reach_absorption();
  if (lithium()) {
    ASSERT_TRUE(come_to_rest()) << "the battery never comes to rest at the set point";
  }
  let_pass(30s);
  PeakToPeak voltage{{.signal = Signal::kBusV, .average_over = 50ms, .limit = limit("RIPPLE-SLOW")}};
  PeakToPeak duty{{.signal = Signal::kGate, .average_over = 1s, .limit = limit("RIPPLE-DUTY")}};
  const auto watch = watch_with({&voltage, &duty});
  let_pass(60s);
  if (const auto hysteresis_v = declared().regulation_hysteresis_v) {
    not_applicable("RIPPLE-DUTY: a two-step device has no duty to hold");
    judge("RIPPLE-SLOW", less(voltage.figure(), *hysteresis_v),
          "swing of the bus voltage averaged over 50 ms, less the declared hysteresis", *watch);
    return;
  }
  judge("RIPPLE-SLOW", voltage, "swing of the bus voltage averaged over 50 ms", *watch);
  judge("RIPPLE-DUTY", duty, "swing of the duty averaged over 1 s", *watch);
}

TEST_F(Regulation, ComesThroughACloudWithABrightEdge) {
  reach_absorption();
  Highest peak{{.signal = Signal::kTerminalV, .minus = set_point_v(), .limit = limit("CLOUD-PEAK")}};
  Restarts restarts;
  const auto watch = watch_with({&peak, &restarts}, {Signal::kTerminalV, Signal::kPoaWpm2, Signal::kGate});
  let_pass(5s);
  sun_turns_to(200_Wpm2, 1s);
  let_pass(40s);
  sun_turns_to(1200_Wpm2, 500ms);
  let_pass(20s);
  sun_turns_to(1000_Wpm2, 2s);
  let_pass(30s);
  judge("CLOUD-PEAK", peak, "highest terminal voltage above the set point during the passage", *watch);
  judge("CLOUD-RESTARTS", restarts, "times that charging stopped for a second and began again", *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
