// What tests of the load output share: moving the battery's voltage by what is drawn from it, and the level and delay
// at which the output acts.
#pragma once

#include <algorithm>
#include <variant>

#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {

using namespace testing::literals;  // NOLINT(google-build-using-namespace): 5s, 10_A read as in the trade
using testing::Amperes;

class LoadBench : public testing::Acceptance {
 protected:
  /// A new run, in which nothing is drawn yet.
  void power_up(const testing::Start& start) {
    drawn_a_ = 0.0;
    Acceptance::power_up(start);
  }

  /// True: there is nothing here to judge.
  bool nothing_declared() {
    if (!board().load_output) {
      not_applicable("this device has no load output");
      return true;
    }
    if (!declared().load_disconnect_v || !declared().load_reconnect_v) {
      not_applicable("load disconnect and reconnect are not declared");
      return true;
    }
    return false;
  }

  /// How long the device keeps the load off whatever the voltage does.
  [[nodiscard]] Nanos hold_off() const { return from_seconds(declared().load_holdoff_s.value_or(0.0)); }

  /// Lets the hold-off pass with the bus kept well below a level, by what is drawn.
  void sit_out_hold_off_below(double level_v) {
    const Nanos end = rig().now() + hold_off();
    while (rig().now() < end) {
      draw(current_for(level_v - 0.3 * scale()));
      let_pass(std::min(end - rig().now(), Nanos{10s}));
    }
  }

  /// By how much the bus sinks per ampere drawn, within seconds.
  [[nodiscard]] static double source_ohm() {
    const auto& site = testing::bench().site;
    return std::visit(
        [&](const auto& battery) { return site.battery_cable_ohm + battery.r_series_ohm + battery.r_fast_ohm; },
        site.battery);
  }

  /// Moves the drawn current so that the bus goes by about 10 mV per 12 V and second, until the load output is as
  /// wanted.
  bool creep(double direction, bool until_load_on, Nanos patience) {
    const double step_a = 0.010 * scale() / source_ohm() * direction;
    const Nanos end = rig().now() + patience;
    while ((rig().latest()[Signal::kLoadSwitch] > 0.5) != until_load_on) {
      if (rig().now() >= end || !rig().invalid_because().empty()) {
        return false;
      }
      drawn_a_ = std::max(0.0, drawn_a_ + step_a);
      battery_feeds(Amperes{drawn_a_});
      const Nanos second = rig().now() + 1s;
      while (rig().now() < second && (rig().latest()[Signal::kLoadSwitch] > 0.5) != until_load_on) {
        let_pass(20ms);
      }
    }
    return true;
  }

  void draw(double current_a) {
    drawn_a_ = std::max(0.0, current_a);
    battery_feeds(Amperes{drawn_a_});
  }

  /// What must be drawn for the bus to lie at `level_v`, from where it lies now.
  [[nodiscard]] double current_for(double level_v) {
    return drawn_a_ + (rig().latest()[Signal::kBusV] - level_v) / source_ohm();
  }

  /// The level that the bus had when the device's delay began.
  static Figure level_before(const BusHistory& history, Nanos switched, double delay_s, double declared_v,
                             bool happened) {
    Figure figure;
    const auto level_v = history.at(switched - from_seconds(delay_s));
    figure.worst = std::max(Nanos{0}, switched - from_seconds(delay_s));
    figure.exercised = happened && level_v ? 1 : 0;
    figure.value = level_v.value_or(declared_v) - declared_v;
    figure.level = Figure::Level{Signal::kBusV, declared_v};
    return figure;
  }

  static Figure delay_figure(Nanos from, Nanos to, double declared_s, bool happened) {
    Figure figure;
    figure.value = in_seconds(to - from) - declared_s;
    figure.worst = to;
    figure.exercised = 1;
    figure.cut_off = !happened;
    return figure;
  }

  double drawn_a_{0};
};

}  // namespace dawnrig::acceptance
