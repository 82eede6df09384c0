#include <algorithm>
#include <cmath>
#include <limits>

#include "harness/characteristic/characteristic.h"
#include "harness/characteristic/panel_under_test_internal.h"
#include "harness/characteristic/sweep_internal.h"
#include "harness/scenario/daylight.h"

namespace dawnrig::characteristic {
namespace {

using base::number_text;

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

/// A scenario's light, with nothing below it but, perhaps, a panel that warms.
class Walk {
 public:
  Walk(const scenario::Scenario& scenario, const profile::SiteProfile* site, std::uint64_t seed)
      : scenario_{scenario},
        site_{site},
        daylight_{scenario.initial.poa_wpm2,
                  scenario.initial.ambient_degc.value_or(site != nullptr ? site->ambient_degc : 25.0), seed} {
    if (site_ != nullptr) warming_.emplace(site_->panel, site_->array, 0.0);
    cell_degc_ = daylight_.ambient_degc() + warming_k_per_wpm2() * daylight_.poa_wpm2(now_);
  }

  /// Everything that is due by then has happened.
  void go_to(Nanos until) {
    for (;;) {
      const bool due = next_stimulus_ < scenario_.timeline.size() && scenario_.timeline[next_stimulus_].time <= until;
      run_to(due ? scenario_.timeline[next_stimulus_].time : until);
      if (!due) return;
      take(scenario_.timeline[next_stimulus_++].change);
    }
  }

  [[nodiscard]] Nanos now() const { return now_; }
  [[nodiscard]] const scenario::Daylight& daylight() const { return daylight_; }
  [[nodiscard]] double poa_wpm2() const { return daylight_.poa_wpm2(now_); }
  [[nodiscard]] double cell_degc() const { return cell_degc_; }
  /// Light that has fallen since the walk began.
  [[nodiscard]] double fallen_j_per_m2() const { return fallen_j_per_m2_; }
  [[nodiscard]] double highest_wpm2() const { return highest_wpm2_; }
  [[nodiscard]] double highest_at_s() const { return highest_at_s_; }
  void forget_highest() {
    highest_wpm2_ = poa_wpm2();
    highest_at_s_ = in_seconds(now_);
  }

 private:
  void take(const scenario::Change& change) {
    if (const auto* shade = std::get_if<scenario::Shade>(&change); shade != nullptr && site_ != nullptr) {
      for (const scenario::Shade::Part& part : shade->parts) profile::demand_substring(*site_, part.substring);
    }
    if (daylight_.apply(change, now_)) see();
  }

  void run_to(Nanos until) {
    while (now_ < until) {
      const Nanos corner = daylight_.next_corner().value_or(until);
      along_line(std::clamp(corner, now_, until));
      if (daylight_.pass(now_)) see();
    }
  }

  /// Along a straight line of light all of this has a closed form.
  void along_line(Nanos to) {
    const double from_wpm2 = poa_wpm2();
    const double to_wpm2 = daylight_.poa_wpm2(to);
    const double s = in_seconds(to - now_);
    now_ = to;
    fallen_j_per_m2_ += 0.5 * (from_wpm2 + to_wpm2) * s;
    see();
    if (!warming_ || s <= 0) return;
    // tau T' = settled(t) - T, where settled runs straight from `first` to `last`.
    constexpr double kLagS = plant::SingleDiodePanel::kThermalLagS;
    const double first_degc = daylight_.ambient_degc() + warming_k_per_wpm2() * from_wpm2;
    const double last_degc = daylight_.ambient_degc() + warming_k_per_wpm2() * to_wpm2;
    const double behind_k = kLagS * (last_degc - first_degc) / s;
    cell_degc_ = last_degc - behind_k + (cell_degc_ - first_degc + behind_k) * std::exp(-s / kLagS);
  }

  void see() {
    if (poa_wpm2() <= highest_wpm2_) return;
    forget_highest();
  }

  [[nodiscard]] double warming_k_per_wpm2() const {
    return warming_ ? warming_->warming_k_per_wpm2(daylight_.wind_m_per_s()) : 0.0;
  }

  const scenario::Scenario& scenario_;
  const profile::SiteProfile* site_;
  scenario::Daylight daylight_;
  std::optional<plant::PanelSource> warming_;
  Nanos now_{0};
  std::size_t next_stimulus_{0};
  double cell_degc_{};
  double fallen_j_per_m2_{0};
  double highest_wpm2_{-1}, highest_at_s_{0};
};

bool has_a_place(const scenario::Scenario& scenario) {
  return std::any_of(scenario.timeline.begin(), scenario.timeline.end(), [](const scenario::Stimulus& stimulus) {
    const auto* sky = std::get_if<scenario::Sky>(&stimulus.change);
    return sky != nullptr && std::holds_alternative<plant::PlaceSky>(*sky->params);
  });
}

std::vector<double> over_place(const Walk& walk) {
  const scenario::Daylight::OverPlace over = walk.daylight().over_place();
  if (over.sky == nullptr) return {kNone, kNone};
  const Nanos since = walk.now() - over.since;
  const plant::SunPosition sun = plant::sun_position(over.sky->begins + since, over.sky->place, over.sky->air);
  return {90.0 - sun.zenith_deg, plant::clear_poa_wpm2(*over.sky, since)};
}

std::vector<double> at_panel(const Walk& walk, const profile::SiteProfile& site) {
  const plant::PanelShade& shade = walk.daylight().shade();
  const std::size_t count = site.array ? static_cast<std::size_t>(site.array->series * site.array->strings) : 1;
  double sum_frac = 0;
  for (std::size_t i = 0; i < count; ++i) sum_frac += shade.light_frac[i];
  const PanelUnderTest panel{site, walk.poa_wpm2(), walk.cell_degc(), shade};
  return {sum_frac / static_cast<double>(count), walk.cell_degc(), panel.best_w()};
}

std::vector<Column> columns_of(bool place, bool site) {
  std::vector<Column> columns = {{"time_s", "time, s", true},
                                 {"poa_wpm2", "light on the panel, W/m²", true},
                                 {"mean_poa_wpm2", "mean since the row before, W/m²"},
                                 {"ambient_degc", "ambient temperature, °C"},
                                 {"wind_m_per_s", "wind, m/s"}};
  if (place) {
    columns.push_back({"sun_elevation_deg", "sun's elevation as seen, °", true});
    columns.push_back({"clear_poa_wpm2", "light of the clear sky, W/m²"});
  }
  if (site) {
    columns.push_back({"light_frac", "share of the light that is not shaded"});
    columns.push_back({"cell_degc", "cell temperature, °C", true});
    columns.push_back({"panel_w", "what the panel could give, W", true});
  }
  return columns;
}

Nanos nanos(double s) {
  return Nanos{static_cast<std::int64_t>(std::llround(s * 1e9))};
}

}  // namespace

Characteristic sky_day(const scenario::Scenario& scenario, const profile::SiteProfile* site, const SkySweep& sweep) {
  const double end_s = static_cast<double>(scenario.duration.count()) / 1e9;  // whole seconds stay whole
  const double to_s = sweep.to_s.value_or(end_s);
  demand("from-s", sweep.from_s, 0, end_s);
  demand("to-s", to_s, sweep.from_s, end_s);
  demand("every-s", sweep.every_s, std::max(1e-3, (to_s - sweep.from_s) / kMostRows), std::max(end_s, 1.0));
  const bool place = has_a_place(scenario);
  Walk walk{scenario, site, sweep.seed.value_or(scenario.seed)};
  walk.go_to(nanos(sweep.from_s));
  walk.forget_highest();
  const double fallen_before_j_per_m2 = walk.fallen_j_per_m2();
  Branch branch{scenario.name, {}};
  double row_fallen_j_per_m2 = fallen_before_j_per_m2;
  double row_s = sweep.from_s;
  for (std::int64_t i = 0;; ++i) {
    const double time_s = std::min(to_s, sweep.from_s + static_cast<double>(i) * sweep.every_s);
    walk.go_to(nanos(time_s));
    const double mean_wpm2 =
        i == 0 ? walk.poa_wpm2() : (walk.fallen_j_per_m2() - row_fallen_j_per_m2) / (time_s - row_s);
    std::vector<double> row = {time_s, walk.poa_wpm2(), mean_wpm2, walk.daylight().ambient_degc(),
                               walk.daylight().wind_m_per_s()};
    const auto append = [&row](const std::vector<double>& more) { row.insert(row.end(), more.begin(), more.end()); };
    if (place) append(over_place(walk));
    if (site != nullptr) append(at_panel(walk, *site));
    branch.rows.push_back(std::move(row));
    row_fallen_j_per_m2 = walk.fallen_j_per_m2();
    row_s = time_s;
    if (time_s >= to_s - 1e-9) break;
  }
  Characteristic table;
  table.title = "The sky of " + scenario.name + (site != nullptr ? " over " + site->name : "");
  table.columns = columns_of(place, site != nullptr);
  table.remarks.push_back(number_text((walk.fallen_j_per_m2() - fallen_before_j_per_m2) / 3600, 1) + " Wh/m² from " +
                          number_text(sweep.from_s) + " s to " + number_text(to_s) + " s, the highest light " +
                          number_text(walk.highest_wpm2(), 1) + " W/m² at " + number_text(walk.highest_at_s(), 3) +
                          " s");
  table.branches.push_back(std::move(branch));
  return table;
}

}  // namespace dawnrig::characteristic
