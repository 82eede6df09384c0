// When the load output opens and closes: levels, delays.
#include <algorithm>
#include <variant>

#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Amperes;
using verdict::FirstCrossing;
using verdict::Side;

class LoadOutput : public testing::Acceptance {
 protected:
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
    figure.worst = switched;
    figure.exercised = happened && level_v ? 1 : 0;
    figure.value = level_v.value_or(declared_v) - declared_v;
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

TEST_F(LoadOutput, OpensAtTheDeclaredVoltageOfASinkingBattery) {
  if (nothing_declared()) {
    return;
  }
  const double level_v = *declared().load_disconnect_v;
  power_up({.soc_frac = 0.25});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  draw(current_for(level_v + 0.2 * scale()));
  BusHistory history;
  rig().attach(history);
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kLoadSwitch});
  const bool opened = creep(+1.0, false, 10min);
  const Figure level =
      level_before(history, rig().now(), declared().load_disconnect_delay_s.value_or(0.0), level_v, opened);
  rig().detach(history);
  let_pass(2s);
  judge("LOAD-DISCONNECT-LEVEL", level, "bus voltage when the disconnect delay began, less the declared voltage",
        *watch);
}

TEST_F(LoadOutput, OpensAfterTheDeclaredDelay) {
  if (nothing_declared()) {
    return;
  }
  power_up({.soc_frac = 0.4});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a battery well above the disconnect voltage";
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kLoadSwitch});
  let_pass(2s);
  const Nanos step = rig().now();
  draw(current_for(0.97 * *declared().load_disconnect_v));
  const double declared_s = declared().load_disconnect_delay_s.value_or(0.0);
  const bool opened = await_load(false, from_seconds(declared_s + 60.0));
  const Figure delay = delay_figure(step, rig().now(), declared_s, opened);
  let_pass(2s);
  judge("LOAD-DISCONNECT-DELAY", delay, "time from the voltage step to load off, less the declared delay", *watch);
}

TEST_F(LoadOutput, ClosesAgainAtTheDeclaredVoltageAfterTheDeclaredDelay) {
  if (nothing_declared()) {
    return;
  }
  const double level_v = *declared().load_reconnect_v;
  const double delay_s = declared().load_reconnect_delay_s.value_or(0.0);
  power_up({.soc_frac = 0.99});
  ASSERT_TRUE(await_load(true, 300s)) << "the load output stays off on a full battery";
  draw(current_for(0.97 * *declared().load_disconnect_v));
  ASSERT_TRUE(await_load(false, 120s)) << "the load output never opened";

  // Slowly up through the declared level, then on until the load closes.
  draw(current_for(level_v - 0.2 * scale()));
  BusHistory history;
  rig().attach(history);
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kLoadSwitch});
  const bool closed = creep(-1.0, true, from_seconds(delay_s + 600.0));
  const Figure level = level_before(history, rig().now(), delay_s, level_v, closed);
  rig().detach(history);
  let_pass(2s);
  judge("LOAD-RECONNECT-LEVEL", level, "bus voltage when the reconnect delay began, less the declared voltage", *watch);

  // Down once more, then up in one step.
  draw(current_for(0.97 * *declared().load_disconnect_v));
  ASSERT_TRUE(await_load(false, 120s)) << "the load output did not open a second time";
  const auto again = watch_with({}, {Signal::kBusV, Signal::kLoadSwitch});
  FirstCrossing rises{
      {.signal = Signal::kBusV, .average_over = 100ms}, Side::kAbove, level_v, verdict::IfNever::kWholeWatch};
  const auto rising = watch_with({&rises});
  sun_turns_to(300_Wpm2);
  draw(0.0);
  const bool back = await_load(true, from_seconds(delay_s + 600.0));
  rising->end();
  const Figure delay = delay_figure(rises.figure().worst, rig().now(), delay_s, back);
  let_pass(2s);
  judge("LOAD-RECONNECT-DELAY", delay, "time from the reconnect voltage to load on, less the declared delay", *again);
}

}  // namespace
}  // namespace dawnrig::acceptance
