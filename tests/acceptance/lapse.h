// Long scenarios in short time: a site whose days and slow states are shorter by one factor, and weather told in days.
//
// Shorter by the factor of the board's profile: the day; the battery's capacity, its slow polarisation (but no shorter
// than a second), self-discharge, gas against capacity, heat; and the device's own timers of an hour and more, through
// its settings. As they are: currents, voltages, resistances, the PWM, the device's regulation, and its delays of
// seconds and minutes, each of which therefore takes a share of a day that is as much larger. So this shows what the
// device's logic does over days, seasons and empty batteries, and what a battery takes and loses by the day; it does
// not show drift, nor how often something happens that takes seconds, nor that a timer of the device is wide enough for
// its true length.
#pragma once

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <regex>
#include <string>
#include <variant>

#include "plant/battery/battery.h"
#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {

/// A battery that lives faster by a factor, with the same currents and voltages.
inline plant::BatteryParams living_faster(const plant::BatteryParams& battery, double factor) {
  constexpr double kShortestSlowS = 1.0;
  constexpr double kMostGassingScale = 50.0;  // of ageing; the rest goes into the law's own figure
  plant::BatteryParams faster = battery;
  std::visit(
      [&](auto& p) {
        p.capacity_ah /= factor;
        p.tau_slow_s = std::max(kShortestSlowS, p.tau_slow_s / factor);
        p.self_discharge_per_s *= factor;
        p.heat_capacity_j_per_k = std::max(1.0, p.heat_capacity_j_per_k / factor);
      },
      faster);
  if (auto* lead = std::get_if<plant::LeadAcidParams>(&faster)) {
    lead->gassing_a_per_100ah *= factor / kMostGassingScale;
    lead->ageing.gassing_scale *= kMostGassingScale;
  }
  return faster;
}

/// The last number that the firmware said on its serial line for each of its life counters.
class CountersSaid final : public trace::Sink {
 public:
  explicit CountersSaid(const profile::LifeCounter& counter) : pattern_{counter.pattern} {}
  void on_sample(const trace::Sample& sample) override { static_cast<void>(sample); }
  void on_stretch(const trace::Stretch& stretch) override { static_cast<void>(stretch); }
  void on_event(const trace::Event& event) override {
    std::smatch found;
    if (event.kind == trace::EventKind::kSerialOut && std::regex_search(event.text, found, pattern_)) {
      last_ = std::stod(found[1].str());
    }
  }
  [[nodiscard]] std::optional<double> last() const { return last_; }

 private:
  std::regex pattern_;
  std::optional<double> last_;
};

/// The sun of one day.
struct Day {
  double noon_wpm2{1000};
  double light_frac{0.5};  ///< of the day
  bool broken{false};      ///< clouds that take most of the sun for a while, five times
};

class LapsedDays : public testing::Acceptance {
 protected:
  static constexpr double kDimWpm2 = 120.0;

  [[nodiscard]] const profile::TimeLapse& lapse() const { return *board().hooks.time_lapse; }
  [[nodiscard]] Nanos day() const { return from_seconds(86'400.0 / lapse().factor); }
  [[nodiscard]] Nanos days(double count) const { return from_seconds(count * 86'400.0 / lapse().factor); }
  [[nodiscard]] double battery_ah() const {
    return std::visit([](const auto& p) { return p.capacity_ah; }, testing::bench().site.battery);
  }

  /// Whether the days of this device can be made short; says so if not.
  bool lapses() {
    if (!board().hooks.time_lapse || board().hooks.texts_for(profile::Purpose::kTimeLapse).empty()) {
      not_applicable("the profile does not say how the device's days are made short");
      return false;
    }
    return true;
  }

  /// Power-up in a dim morning on a battery that lives as fast as the days, and the device told of it once it charges:
  /// its first minutes are no night.
  void begin(testing::Start start) {
    const plant::BatteryParams& battery = start.other_battery ? *start.other_battery : testing::bench().site.battery;
    start.other_battery = living_faster(battery, lapse().factor);
    start.sun = testing::Irradiance{kDimWpm2};
    power_up(start);
    let_pass(from_seconds(declared().startup_s));
    instruct(profile::Purpose::kTimeLapse);
    let_pass(std::chrono::seconds{1});  // settings that are stored byte by byte
  }

  /// The light of a day, as half a sine in eight pieces.
  void daylight(const Day& of) {
    constexpr int kPieces = 8;
    const Nanos piece = days(of.light_frac / kPieces);
    for (int k = 1; k <= kPieces; ++k) {
      const double sun_wpm2 = of.noon_wpm2 * std::sin(std::numbers::pi * k / kPieces);
      if (of.broken && k > 1 && k < 7) {
        sun_turns_to(testing::Irradiance{0.15 * sun_wpm2}, piece / 8);
        let_pass(piece / 3);
        sun_turns_to(testing::Irradiance{std::max(0.0, sun_wpm2)}, piece / 8);
        let_pass(piece - piece / 3);
      } else {
        sun_turns_to(testing::Irradiance{std::max(0.0, sun_wpm2)}, piece);
        let_pass(piece);
      }
    }
  }
  void night(const Day& after) { let_pass(day() - days(after.light_frac)); }
  void whole_day(const Day& of) {
    daylight(of);
    night(of);
  }
};

}  // namespace dawnrig::acceptance
