// What goes by days: their count, equalisation that falls due, counters at their ends, a month without sun. Days are
// short here: see lapse.h.
#include <algorithm>
#include <map>

#include "tests/acceptance/lapse.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using profile::LifeEvent;
using profile::Purpose;
using testing::Temperature;
using verdict::FirstCrossing;
using verdict::Side;
using verdict::TimeAbove;

class Days : public LapsedDays {
 protected:
  /// Until the next line after `wait` has been said.
  std::optional<double> said(const CountersSaid& counter, Nanos wait = 3s) {
    let_pass(wait);
    return counter.last();
  }
  /// Whether the mean over a second comes above a level within `patience`.
  bool rises_above(double level_v, Nanos patience) {
    const Nanos end = rig().now() + patience;
    while (rig().now() < end && rig().invalid_because().empty()) {
      if (mean_of(Signal::kBusV, 1s) > level_v) {
        return true;
      }
    }
    return false;
  }
};

TEST_F(Days, AreCountedWithoutSunsetsAndWithTwo) {
  const profile::LifeCounter* hook = board().hooks.counter_of(LifeEvent::kDay);
  if (!lapses() || hook == nullptr) {
    return not_applicable("the profile does not say where the device counts its days");
  }
  begin({.soc_frac = 0.7});
  CountersSaid counter{*hook};
  rig().attach(counter);
  const auto watch = watch_with({}, {Signal::kPoaWpm2, Signal::kGate});
  const double before = said(counter).value_or(-1);
  const Nanos begun = rig().now();
  Figure worst = counted(0.0, 0);
  const auto compare = [&] {
    const double true_count = in_seconds(rig().now() - begun) * lapse().factor / 86'400.0;
    const double off = counter.last().value_or(-1e3) - before - true_count;
    if (std::abs(off) >= std::abs(worst.value)) {
      worst.value = off;
      worst.worst = rig().now();
    }
    ++worst.exercised;
  };
  const auto light_for = [&](double how_many) {
    sun_turns_to(400_Wpm2, 1s);
    let_pass(days(how_many));
    sun_turns_to(0_Wpm2, 1s);
  };
  // Two evenings within a day: a storm at noon, darker than dusk.
  light_for(0.25);
  let_pass(days(0.15));
  light_for(0.2);
  let_pass(days(0.4));
  compare();
  // And again, so that a count of both does not hide within what is granted.
  light_for(0.25);
  let_pass(days(0.15));
  light_for(0.2);
  let_pass(days(0.4));
  compare();
  // A summer in which the sun does not set, and a winter in which it does not rise.
  light_for(3.0);
  let_pass(days(0.3));
  compare();
  let_pass(days(2.2));
  compare();
  light_for(0.4);
  let_pass(days(0.3));
  compare();
  rig().detach(counter);
  judge(
      "DAY-COUNT", worst,
      "days counted less days passed, the worst of two days with two sunsets, three without and two without a sunrise",
      *watch);
}

TEST_F(Days, MakeEqualisationFallDueAndAResetDoesNotForgetIt) {
  if (!lapses() || lapse().equalise_days == 0 || !declared().equalise_v) {
    return not_applicable("no equalisation by the count of days is declared");
  }
  const double equalise_v = 0.5 * (declared().absorption_v + *declared().equalise_v);
  begin({.soc_frac = 0.97});
  const auto whole = watch_with({}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kGate});
  // The first days of a device whose last equalisation is unknown count from its first.
  const Day clear{.noon_wpm2 = 1000, .light_frac = 0.6};
  Figure fell_due = counted(0.0);
  TimeAbove early{{.signal = Signal::kBusV, .average_over = 1s}, equalise_v};
  {
    const auto watch = watch_with({&early});
    for (int k = 0; k < lapse().equalise_days; ++k) {
      whole_day(clear);
    }
  }
  sun_turns_to(1000_Wpm2, 3s);
  const bool begins = rises_above(equalise_v, days(0.75));
  fell_due.value = begins ? (early.figure().value > 0.0 ? -1.0 : 0.0) : 1.0;
  judge("EQUALISE-FALLS-DUE", fell_due,
        "days between the declared count and the day that equalises: 0 on the day, -1 before, 1 not on that day",
        *whole);
  if (!begins) {
    return;
  }
  // Interrupted half a second in: what was begun is not done.
  let_pass(500ms);
  happens(scenario::ResetLine{true});
  let_pass(50ms);
  happens(scenario::ResetLine{false});
  const auto after = watch_with({}, {Signal::kBusV, Signal::kGate});
  const Nanos reset = rig().now();
  let_pass(3s);
  const bool again = rises_above(equalise_v, days(0.9));
  Figure made_up = counted(in_seconds(rig().now() - reset) * lapse().factor / 86'400.0);
  made_up.cut_off = !again;
  judge("EQUALISE-MADE-UP", made_up, "days from a reset amid equalisation until it is begun again", *after);
  if (!again) {
    return;
  }
  // Once it is done, the count begins anew.
  let_pass(days(0.4));
  sun_turns_to(0_Wpm2, 3s);
  let_pass(days(0.3));
  TimeAbove repeated{{.signal = Signal::kBusV, .average_over = 1s}, equalise_v};
  const auto next = watch_with({&repeated}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kGate});
  whole_day(clear);
  judge("EQUALISE-NOT-AGAIN", repeated, "time in equalisation on the day after a completed one", *next);
}

TEST_F(Days, AndOtherCountersStopAtTheirHighest) {
  const auto& images = board().hooks.settings_images;
  const auto image =
      std::find_if(images.begin(), images.end(), [](const auto& one) { return one.counters_almost_full; });
  const auto& d = declared();
  if (!lapses() || image == images.end() || board().hooks.life_counters.empty() || !board().load_output ||
      !d.load_disconnect_v || !d.load_overload_a || !d.load_tries_over_s) {
    return not_applicable("the profile has no counters close to their highest to start with");
  }
  if (testing::bench().rig.kind == testing::RigKind::kBench) {
    return not_applicable("this rig cannot write the settings memory before power-up");
  }
  begin({.soc_frac = 0.6, .settings = image->bytes});
  std::vector<std::unique_ptr<CountersSaid>> counters;
  for (const profile::LifeCounter& counter : board().hooks.life_counters) {
    counters.push_back(std::make_unique<CountersSaid>(counter));
    rig().attach(*counters.back());
  }
  const auto first = watch_with({}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kLoadSwitch});
  const auto everything_happens = [&] {
    // A day, in sun too weak to absorb.
    sun_turns_to(100_Wpm2, 1s);
    let_pass(days(0.3));
    sun_turns_to(0_Wpm2, 1s);
    let_pass(days(0.3));
    load_draws(testing::Amperes{1.3 * *d.load_overload_a});
    let_pass(from_seconds(*d.load_tries_over_s + 10.0));
    load_draws(0_A);
    instruct(Purpose::kLoadAgain);
    // A battery so tired that a direct load takes it below disconnection.
    happens(scenario::BatteryResistance{10.0});
    double current = 5.0;
    while (mean_of(Signal::kBusV, 1s) > *d.load_disconnect_v - 0.3 * scale() && current < 300.0) {
      battery_feeds(testing::Amperes{current *= 1.15});
    }
    let_pass(from_seconds(d.load_disconnect_delay_s.value_or(0.0) + 3.0));
    battery_feeds(0_A);
    happens(scenario::BatteryResistance{1.0});
  };
  Figure off = counted(0.0, 0);
  const auto compare = [&] {
    let_pass(3s);
    for (std::size_t i = 0; i < counters.size(); ++i) {
      const double highest = board().hooks.life_counters[i].highest;
      const double shown = counters[i]->last().value_or(-1.0);
      off.value += shown == highest ? 0.0 : 1.0;
      off.exercised += shown >= 0.0 ? 1 : 0;
    }
  };
  everything_happens();
  compare();
  // A battery that has recovered, so that it can be disconnected again; and the overload forgotten.
  first->end();
  begin({.soc_frac = 0.6, .settings = rig().settings_memory()->bytes});
  for (const auto& counter : counters) {
    rig().attach(*counter);
  }
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kLoadSwitch});
  everything_happens();
  compare();
  judge("COUNTERS-STOP", off,
        "counters that do not show their highest after one event more than they can count, and after another", *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
