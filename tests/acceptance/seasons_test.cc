// Weeks and seasons: a cloudy fortnight, a heat wave, a year, a month without sun. Days are short here: see lapse.h.
#include <algorithm>
#include <array>
#include <utility>
#include <vector>

#include "tests/acceptance/lapse.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Amperes;
using testing::Temperature;
using verdict::FirstCrossing;
using verdict::Highest;
using verdict::Lowest;
using verdict::Mean;
using verdict::Side;
using verdict::TimeAbove;
using verdict::Toggles;

class Seasons : public LapsedDays {
 protected:
  [[nodiscard]] double threshold_v(double battery_degc = 25.0) const {
    return 0.99 * declared().absorption_v_at(battery_degc);
  }
  /// The load that takes so much of a full battery in a day.
  [[nodiscard]] Amperes load_of(double charge_frac) const { return Amperes{charge_frac * battery_ah() / 24.0}; }
  /// As warm as the device may charge, and as cold, but for a margin.
  [[nodiscard]] Temperature allowed(double degc) const {
    const double coldest = declared().charge_coldest_degc.value_or(-60.0) + declared().charge_resume_k + 1.0;
    const double hottest = declared().charge_hottest_degc.value_or(90.0) - declared().charge_resume_k - 1.0;
    return Temperature{std::clamp(degc, coldest, hottest)};
  }

  /// The site's battery; lead-acid with the bend that such a battery has near empty, by its rest voltage, when it is
  /// rated down to 1.75 V a cell. The straight line of the site serves everything above.
  [[nodiscard]] static plant::BatteryParams bending_near_empty() {
    plant::BatteryParams battery = testing::bench().site.battery;
    if (auto* lead = std::get_if<plant::LeadAcidParams>(&battery)) {
      lead->ocv = {{0.0, 1.75}, {0.1, 1.88}, {0.2, 1.94}, {0.35, 1.98}, {1.0, 2.13}};
    }
    return battery;
  }
  /// The state of charge at which this battery rests at a voltage.
  [[nodiscard]] static double charge_at(const plant::BatteryParams& params, double rest_v) {
    const plant::Battery battery{params};
    double low = 0.0;
    double high = 1.0;
    for (int k = 0; k < 40; ++k) {
      const double middle = 0.5 * (low + high);
      (battery.ocv_v(middle, 25.0) < rest_v ? low : high) = middle;
    }
    return high;
  }
};

TEST_F(Seasons, ACloudyFortnightEmptiesTheBatteryOnlySoFarAndIsMadeUpFor) {
  const auto& d = declared();
  if (!lapses() || !board().load_output || !d.load_disconnect_v) {
    return not_applicable("no disconnection of the loads is declared, or the device's days cannot be made short");
  }
  constexpr double kDailyLoadFrac = 0.14;
  constexpr double kLeastFloor = 0.05;
  const plant::BatteryParams battery = bending_near_empty();
  // What the load takes while the device makes sure, in these short days, is not the battery's to keep.
  const double delay_days = d.load_disconnect_delay_s.value_or(0.0) * lapse().factor / 86'400.0;
  const double floor = charge_at(battery, *d.load_disconnect_v) - kDailyLoadFrac * delay_days;
  if (floor < kLeastFloor) {
    return not_applicable("in days this short the declared delay alone empties what the declared disconnection leaves");
  }
  begin({.soc_frac = 0.7, .other_battery = battery});
  load_draws(load_of(kDailyLoadFrac));
  Lowest charge{{.signal = Signal::kSocFrac}};
  Toggles toggles{Signal::kLoadSwitch, limit("FORTNIGHT-DISCONNECTS")};
  const auto dull = watch_with({&charge, &toggles}, {Signal::kSocFrac, Signal::kBusV, Signal::kLoadSwitch});
  for (int k = 0; k < 14; ++k) {
    whole_day({.noon_wpm2 = k % 3 == 0 ? 100.0 : 200.0, .light_frac = 0.4});
  }
  dull->end();
  judge("FORTNIGHT-DISCONNECTS", toggles, "changes of the load output in fourteen dull days", *dull);
  judge(
      "FORTNIGHT-FLOOR", less(charge.figure(), floor),
      "lowest state of charge less the one at which the battery rests at the declared disconnection, and less what the "
      "declared delay takes in these short days",
      *dull);

  TimeAbove absorbed{{.signal = Signal::kBusV, .average_over = 1s}, threshold_v()};
  FirstCrossing loads{{.signal = Signal::kLoadSwitch}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto clear = watch_with({&absorbed, &loads}, {Signal::kSocFrac, Signal::kBusV, Signal::kLoadSwitch});
  const Nanos begun = rig().now();
  const double wanted_s = 0.9 * lapse().absorption_time_s;
  constexpr int kMostDays = 4;
  Figure recovered = counted(0.0);
  recovered.cut_off = true;
  for (int k = 1; k <= kMostDays && (recovered.cut_off || loads.figure().cut_off); ++k) {
    whole_day({.noon_wpm2 = 1000, .light_frac = 0.5});
    if (recovered.cut_off) {
      recovered.value = in_seconds(rig().now() - begun) * lapse().factor / 86'400.0;
      recovered.cut_off = absorbed.figure().value < wanted_s;
    }
  }
  clear->end();
  judge("FORTNIGHT-RECOVERS", recovered, "clear days until the battery has been absorbed for the declared time",
        *clear);
  judge("FORTNIGHT-LOADS-BACK", changed(loads.figure(), lapse().factor / 86'400.0),
        "clear days until the loads are on again", *clear);
}

TEST_F(Seasons, AHeatWaveGassesTheBatteryOnlySoMuch) {
  if (!lapses() || !std::holds_alternative<plant::LeadAcidParams>(testing::bench().site.battery)) {
    return not_applicable("only lead-acid batteries gas, or the device's days cannot be made short");
  }
  const Temperature hot{45.0};
  begin({.soc_frac = 0.9, .battery = hot, .ambient = hot});
  battery_is_at(hot);
  load_draws(load_of(0.05));
  TimeAbove absorbed{{.signal = Signal::kBusV, .average_over = 1s}, threshold_v(45.0)};
  Mean gas{{.signal = Signal::kGassingA}};
  const auto watch = watch_with({&absorbed, &gas}, {Signal::kBusV, Signal::kGassingA, Signal::kPoaWpm2});
  for (int k = 0; k < 5; ++k) {
    whole_day({.noon_wpm2 = 1000, .light_frac = 0.6});
  }
  watch->end();
  // Of a day, for each 100 Ah.
  Figure figure = changed(gas.figure(), 24.0 * 100.0 / battery_ah());
  figure.exercised = absorbed.figure().value > 0.9 * lapse().absorption_time_s ? figure.exercised : 0;
  judge("HEAT-GAS", figure,
        "charge a day that splits water, for each 100 Ah of a battery that is filled daily at 45 degC", *watch);
}

TEST_F(Seasons, AYearLeavesTheDeviceChargingAndItsSettingsMemoryUnworn) {
  if (!lapses()) {
    return;
  }
  struct Month {
    Day weather;  // on a panel that is tilted towards the winter's sun
    double degc;
  };
  constexpr std::array<Month, 12> kYear{{{{800, 0.36, false}, -8},
                                         {{850, 0.40, false}, -4},
                                         {{900, 0.46, false}, 4},
                                         {{950, 0.52, true}, 11},
                                         {{1000, 0.60, false}, 19},
                                         {{1000, 0.64, true}, 26},
                                         {{1000, 0.62, true}, 33},
                                         {{1000, 0.56, false}, 38},
                                         {{950, 0.50, true}, 24},
                                         {{900, 0.44, false}, 12},
                                         {{850, 0.38, false}, 3},
                                         {{800, 0.34, false}, -6}}};
  begin({.soc_frac = 0.9});
  load_draws(load_of(0.06));
  const auto before = rig().settings_memory();
  const auto& clock = board().hooks.millisecond_counter;
  std::uint64_t uptime_ms = 0;
  const auto whole = watch_with({}, {Signal::kBusV, Signal::kSocFrac, Signal::kPoaWpm2, Signal::kGate});
  Figure stuck = counted(0.0, 0);
  for (std::size_t month = 0; month < kYear.size(); ++month) {
    const Month& m = kYear[month];
    const Temperature degc = allowed(m.degc);
    battery_is_at(degc);
    // A year takes from a battery what an old one has lost: four times the resistance at the end.
    happens(scenario::BatteryResistance{1.0 + 3.0 * static_cast<double>(month) / 11.0});
    TimeAbove absorbed{{.signal = Signal::kBusV, .average_over = 500ms}, threshold_v(degc.in_si())};
    {
      const auto watch = watch_with({&absorbed});
      daylight(m.weather);
    }
    stuck.exercised += 1;
    if (absorbed.figure().value < 0.5 * lapse().absorption_time_s) {
      stuck.value += 1;
      stuck.worst = rig().now();
    }
    // The rest of the month, for the clock alone: it wraps seven times in a year.
    uptime_ms += 30ULL * 86'400'000ULL;
    if (clock && clock->width_bytes == 4) {
      static_cast<void>(rig().set_counter(*clock, uptime_ms % (std::uint64_t{1} << 32U)));
    }
    night(m.weather);
  }
  judge("YEAR-CHARGES", stuck, "of a day from each month, those on which the battery was not brought to absorption",
        *whole);
  const auto after = rig().settings_memory();
  if (!before || !after) {
    return not_applicable("YEAR-WEAR: this rig cannot look into the settings memory");
  }
  std::int64_t most = 0;
  for (std::size_t i = 0; i < after->cell_writes.size(); ++i) {
    most = std::max(most, after->cell_writes[i] - before->cell_writes[i]);
  }
  judge("YEAR-WEAR", counted(static_cast<double>(most) * 365.0 / 12.0, after->writes - before->writes),
        "writes to the cell of the settings memory that is written most, in twelve days, times a year over twelve days",
        *whole);
}

TEST_F(Seasons, AMonthWithoutSunIsNoShortNight) {
  const auto& hook = board().hooks.dark_counter;
  const auto& d = declared();
  if (!lapses() || !hook || !d.float_v) {
    return not_applicable("the profile does not name where the device counts the dark");
  }
  const double cold_degc = d.charge_coldest_degc.value_or(-60.0) > -5.0 ? 25.0 : -5.0;
  const Temperature cold{cold_degc};
  // Half-way: a sense network may err in the cold, and accuracy is not the question here.
  const double above_float_v = d.absorption_v_at(cold_degc) - 0.5 * (d.absorption_v - *d.float_v);
  Figure worst_start = counted(0.0, 0);
  Figure not_absorbed = counted(0.0, 0);
  std::unique_ptr<testing::Watch> watch;
  // A month; and as long as its bits last, so that it ends just before the sun is believed.
  const std::uint64_t span = std::uint64_t{1} << (8 * std::min(hook->width_bytes, 4));
  for (const std::uint64_t dark_ms : {std::uint64_t{2'592'000'000}, span - 8'600}) {
    begin({.soc_frac = 0.97, .battery = cold, .ambient = Temperature{-15.0}});
    battery_is_at(cold);
    // Into float, so that what the night interrupts is not what has to follow it.
    sun_turns_to(1000_Wpm2, 1s);
    let_pass(from_seconds(d.startup_s + 3.0 * lapse().absorption_time_s + 15.0));
    sun_turns_to(0_Wpm2, 1s);
    load_draws(load_of(0.06));
    let_pass(15s);
    if (!rig().set_counter(*hook, dark_ms)) {
      return not_applicable("the image does not carry the counter's symbol");
    }
    if (board().hooks.millisecond_counter) {
      static_cast<void>(rig().set_counter(*board().hooks.millisecond_counter, dark_ms));
    }
    let_pass(6s);
    load_draws(0_A);
    FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
    TimeAbove absorbed{{.signal = Signal::kBusV, .average_over = 1s}, above_float_v};
    watch = watch_with({&begins, &absorbed}, {Signal::kBusV, Signal::kPanelV, Signal::kPoaWpm2, Signal::kGate});
    sun_turns_to(1000_Wpm2);
    let_pass(70s);
    watch->end();
    const Figure start = begins.figure();
    worst_start.value = std::max(worst_start.value, start.value);
    worst_start.cut_off = worst_start.cut_off || start.cut_off;
    ++worst_start.exercised;
    not_absorbed.value += absorbed.figure().value < 0.8 * lapse().absorption_time_s ? 1.0 : 0.0;
    ++not_absorbed.exercised;
  }
  judge("DARK-MONTH-CHARGES", worst_start,
        "time from full sun on a cold panel until charging begins, the longer of two", *watch);
  judge("DARK-MONTH-ABSORBS", not_absorbed,
        "of two darknesses of a month and more, those after which the battery was not absorbed anew", *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
