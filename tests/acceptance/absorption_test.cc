// How absorption ends, what clouds do to it, when charging starts over, and equalisation.
#include <algorithm>
#include <vector>

#include "tests/acceptance/charging.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using profile::Purpose;
using testing::Irradiance;
using testing::Temperature;
using verdict::FirstCrossing;
using verdict::Highest;
using verdict::Mean;
using verdict::Side;

class AbsorptionAndAfter : public Charging {
 protected:
  /// Whether this device can be told to equalise, and says what it then does.
  bool equalises() {
    const bool can = declared().equalise_v && declared().equalise_longest_s && declared().float_v &&
                     !board().hooks.texts_for(Purpose::kEqualise).empty();
    if (!can) {
      not_applicable("no equalisation is declared, or the profile does not say how to ask for it");
    }
    return can;
  }

  /// A load that the sun cannot feed, as heavy as holds the bus below a level, for so long. False: none was found.
  [[nodiscard]] bool hold_below(double level_v, Nanos for_time) {
    const double array = array_a(1000_Wpm2);
    const Nanos deadline = rig().now() + for_time + 5min;
    double load_a = 4.0 * array;
    Nanos below{0};
    while (below < for_time && rig().now() < deadline && rig().invalid_because().empty()) {
      battery_feeds(testing::Amperes{load_a});
      const double mean_v = mean_of(Signal::kBusV, 1s);
      below = mean_v > level_v ? Nanos{0} : below + 1s;
      if (mean_v > level_v) {
        load_a += array;
      } else if (mean_v < level_v - 0.1 * scale()) {
        load_a -= 0.25 * array;
      }
    }
    battery_feeds(0_A);
    return below >= for_time;
  }

  /// The highest voltage, averaged over a second, of a minute and a half after being told to equalise, less absorption.
  Figure highest_when_told(std::unique_ptr<testing::Watch>& watch, double battery_degc) {
    Highest highest{{.signal = Signal::kBusV, .minus = declared().absorption_v_at(battery_degc), .average_over = 1s}};
    watch = watch_with({&highest});
    instruct(Purpose::kEqualise);
    let_pass(90s);
    watch->end();
    return highest.figure();
  }
};

TEST_F(AbsorptionAndAfter, CloudsAndAMinuteOfDarknessNeitherCompleteNorRepeatAbsorption) {
  if (!declared().absorption_time_s || !declared().float_v) {
    return not_applicable("absorption time or float voltage are not declared");
  }
  const double absorption_s = *declared().absorption_time_s;
  // A lithium battery climbs the last per cent for minutes, unless it is fuller.
  power_up({.soc_frac = lithium() ? 0.998 : 0.97, .sun = 1000_Wpm2});
  if (lithium()) keep_drawing();
  ASSERT_TRUE(await_level(Side::kAbove, threshold_v(), 30min)) << "absorption was never reached";
  TimeChargedAbove at_voltage{threshold_v(), lithium() ? Nanos{2s} : Nanos{24h}};
  FirstCrossing holds_back{
      {.signal = Signal::kGate, .average_over = 1s}, Side::kBelow, kHoldsBackFrac, verdict::IfNever::kWholeWatch};
  const Nanos begun = rig().now();
  const auto watch = watch_with({&at_voltage}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kGate});
  for (bool first = true; const Irradiance cloud : {60_Wpm2, 0_Wpm2, 30_Wpm2}) {
    auto climbing = first ? watch_with({&holds_back}) : nullptr;
    let_pass(from_seconds(0.2 * absorption_s));
    climbing.reset();
    first = false;
    sun_turns_to(cloud, 2s);
    let_pass(60s);
    sun_turns_to(1000_Wpm2, 2s);
    static_cast<void>(await_level(Side::kAbove, threshold_v(), 2min));
  }
  Figure figure;
  figure.cut_off = !await_end_of_absorption(from_seconds(1.2 * absorption_s));
  let_pass(5s);
  watch->end();
  const Figure time = at_voltage.figure();
  // Absorption began somewhere between here and where the device first held back.
  const bool climbed = lithium() && !holds_back.figure().cut_off && !figure.cut_off;
  const double climb_s = climbed ? in_seconds(holds_back.figure().worst - begun) : 0.0;
  const double within_s = climbed ? std::clamp(absorption_s, time.value - climb_s, time.value) : time.value;
  figure.value = 100.0 * (within_s / absorption_s - 1.0);
  figure.exercised = time.exercised;
  figure.worst = rig().now();
  judge("ABSORPTION-CLOUD-TIME", figure,
        "time at the absorption voltage in spite of three clouds, against the declared time", *watch);
}

TEST_F(AbsorptionAndAfter, EndsEvenIfTheVoltageIsNeverQuiteReached) {
  if (!declared().absorption_longest_s || !declared().float_v) {
    return not_applicable("no longest time of absorption is declared");
  }
  const double longest_s = *declared().absorption_longest_s;
  power_up({.soc_frac = 0.97, .sun = 1000_Wpm2});
  ASSERT_TRUE(await_level(Side::kAbove, threshold_v(), 30min)) << "absorption was never reached";
  const auto whole = watch_with({}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kGate});
  if (lithium()) {
    ASSERT_TRUE(await_regulation(declared().absorption_v, 30min)) << "absorption was never reached";
    ASSERT_TRUE(draw_below(0.988 * declared().absorption_v)) << "the battery could not be drawn down";
    keep_drawing();
  }
  // As much sun as holds the battery one to two per cent below its set point.
  const Nanos end = rig().now() + from_seconds(longest_s + 30.0);
  double sun = 300;
  std::int64_t hovered = 0;
  while (rig().now() < end) {
    sun_turns_to(Irradiance{sun});
    const double share = mean_of(Signal::kBusV, 10s) / declared().absorption_v;
    sun = std::clamp(share > 0.988 ? 0.9 * sun : share < 0.980 ? 1.1 * sun : sun, 5.0, 1000.0);
    hovered += share < 0.992 && share > 0.96 ? 1 : 0;
  }
  sun_turns_to(1000_Wpm2);
  if (lithium()) {
    ASSERT_TRUE(come_down_to(*declared().float_v)) << "float was never reached";
  }
  let_pass(60s);
  Mean mean{{.signal = Signal::kBusV, .minus = *declared().float_v}};
  const auto watch = watch_with({&mean});
  let_pass(30s);
  watch->end();
  Figure figure = mean.figure();
  figure.exercised = hovered >= 20 ? figure.exercised : 0;
  judge("ABSORPTION-ENDS", figure,
        "mean bus voltage in full sun after the longest declared absorption, less the float set point", *whole);
}

TEST_F(AbsorptionAndAfter, StartsOverWhenTheBatteryIsDrawnDownInFloat) {
  if (!declared().rebulk_v || !declared().float_v || !declared().absorption_time_s) {
    return not_applicable("a return from float to bulk is not declared");
  }
  ASSERT_TRUE(reach_float()) << "float was never reached";
  let_pass(20s);
  sun_turns_to(100_Wpm2);
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kGate});
  const bool drawn =
      hold_below(*declared().rebulk_v - 0.1 * scale(), from_seconds(declared().rebulk_delay_s.value_or(0.0) + 10.0));
  sun_turns_to(1000_Wpm2);
  const Nanos released = rig().now();
  Figure figure;
  figure.exercised = drawn ? 1 : 0;
  // What lithium takes until it is full is its own affair; that it is charged beyond float is the device's.
  figure.cut_off = !await_level(Side::kAbove, lithium() ? 1.01 * *declared().float_v : threshold_v(), 15min);
  figure.worst = rig().now();
  figure.value = in_seconds(rig().now() - released);
  judge("REBULK", figure, "time from the end of a heavy load in float until the battery is charged above float again",
        *watch);
}

TEST_F(AbsorptionAndAfter, EqualisesAsDeclaredAndOnlyABatteryThatStandsIt) {
  if (!equalises()) {
    return;
  }
  const double longest_s = *declared().equalise_longest_s;
  ASSERT_TRUE(reach_float()) << "float was never reached";
  let_pass(10s);
  const auto allowed = limit("EQUALISE-BEGINS");
  const Nanos longer_than_allowed = from_seconds(allowed ? allowed->highest.value_or(300.0) : 300.0) + 2min;
  const auto whole = watch_with({}, {Signal::kBusV, Signal::kGate});
  ASSERT_TRUE(instruct(Purpose::kEqualise));
  const Nanos begun = rig().now();
  Figure reached = counted(0.0);
  reached.cut_off = !await_level(Side::kAbove, 0.99 * *declared().equalise_v, longer_than_allowed);
  reached.value = in_seconds(rig().now() - begun);
  let_pass(from_seconds(declared().settle_s));
  Mean mean{{.signal = Signal::kBusV, .minus = *declared().equalise_v}};
  const auto watch = watch_with({&mean});
  let_pass(30s);
  watch->end();
  Figure ends = counted(0.0);
  ends.cut_off = !await_level(Side::kBelow, threshold_v(), from_seconds(longest_s + 120.0));
  ends.value = in_seconds(rig().now() - begun) - longest_s;
  judge("EQUALISE-BEGINS", reached, "time from being told to equalise until the voltage is reached", *whole);
  judge_if_asked("LEVEL-EQUALISE", less(mean.figure(), -*declared().equalise_v),
                 "mean bus voltage held in equalisation", *watch);
  judge("EQUALISE-VOLTAGE", mean, "mean bus voltage in equalisation less the declared voltage", *watch);
  judge("EQUALISE-ENDS", ends, "time from the beginning of equalisation to its end, less the longest declared", *whole);

  std::unique_ptr<testing::Watch> quiet;
  constexpr double kHotDegc = 48.0;
  battery_is_at(Temperature{kHotDegc});
  let_pass(5s);
  const Figure hot = highest_when_told(quiet, kHotDegc);
  judge("EQUALISE-NOT-HOT", hot, "highest bus voltage less absorption at 48 degC, when told to equalise a hot battery",
        *quiet);
  battery_is_at(Temperature{25.0});
  if (!instruct(Purpose::kSealedBattery)) {
    return not_applicable("EQUALISE-NOT-SEALED: the profile does not say how to choose a sealed battery");
  }
  const Figure sealed = highest_when_told(quiet, 25.0);
  judge("EQUALISE-NOT-SEALED", sealed, "highest bus voltage less absorption, when told to equalise a sealed battery",
        *quiet);
}

}  // namespace
}  // namespace dawnrig::acceptance
