// When the load output opens and closes: levels, delays.
#include "tests/acceptance/load_bench.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using verdict::FirstCrossing;
using verdict::Side;

class LoadOutput : public LoadBench {};

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
  judge_if_asked("LEVEL-LOAD-DISCONNECT", less(level, -level_v), "bus voltage when the disconnect delay began", *watch);
  judge("LOAD-DISCONNECT-LEVEL", level, "bus voltage when the disconnect delay began, less the declared voltage",
        *watch);
}

TEST_F(LoadOutput, FeedsTheLoadsFromAGoodBattery) {
  if (!board().load_output) {
    return not_applicable("this device has no load output");
  }
  power_up({.soc_frac = 0.9, .sun = 100_Wpm2});
  verdict::SettlingTime on{{.signal = Signal::kLoadSwitch}, 0.5, 1.0};
  const auto watch = watch_with({&on}, {Signal::kBusV, Signal::kLoadSwitch});
  let_pass(60s);
  judge("LOAD-ON", on, "time from power-up until the load output is on for good", *watch);
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
  sit_out_hold_off_below(level_v);

  // Slowly up through the declared level, then on until the load closes.
  draw(current_for(level_v - 0.2 * scale()));
  BusHistory history;
  rig().attach(history);
  const auto watch = watch_with({}, {Signal::kBusV, Signal::kLoadSwitch});
  const bool closed = creep(-1.0, true, from_seconds(delay_s + 600.0));
  const Figure level = level_before(history, rig().now(), delay_s, level_v, closed);
  rig().detach(history);
  let_pass(2s);
  judge_if_asked("LEVEL-LOAD-RECONNECT", less(level, -level_v), "bus voltage when the reconnect delay began", *watch);
  judge("LOAD-RECONNECT-LEVEL", level, "bus voltage when the reconnect delay began, less the declared voltage", *watch);

  // Down once more, then up in one step.
  draw(current_for(0.97 * *declared().load_disconnect_v));
  ASSERT_TRUE(await_load(false, 120s)) << "the load output did not open a second time";
  sit_out_hold_off_below(level_v);
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
