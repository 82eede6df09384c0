// The order of the stages, their timers, and the set points over temperature.
#include <algorithm>
#include <vector>

#include "harness/verdict/fit.h"
#include "tests/acceptance/charging.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Temperature;
using verdict::FirstCrossing;
using verdict::Mean;
using verdict::SettlingTime;
using verdict::Side;

class Stages : public Charging {
 protected:
  /// Runs until the averaged bus voltage crosses a level; the figure counts from now.
  Figure time_to(Side side, double level_v, Nanos patience, std::vector<verdict::Monitor*> also = {}) {
    FirstCrossing crossing{
        {.signal = Signal::kBusV, .average_over = 200ms}, side, level_v, verdict::IfNever::kWholeWatch};
    std::vector<verdict::Monitor*> monitors{&crossing};
    monitors.insert(monitors.end(), also.begin(), also.end());
    const testing::Watch watch{rig(), monitors, {Signal::kBusV}};
    const Nanos end = rig().now() + patience;
    while (crossing.figure().cut_off && rig().now() < end && rig().invalid_because().empty()) {
      let_pass(1s);
    }
    return crossing.figure();
  }

  struct Absorption {
    Figure reached;  ///< the voltage has come up to 99 %
    Figure held;     ///< the device holds back for the first time
    Figure over;     ///< the voltage falls again or, of a battery that keeps it, the device charges no more
  };
  /// From 99 % of the set point on, which `reached` is the crossing of.
  Absorption absorb(const Figure& reached, Nanos patience) {
    constexpr double kChargesNoMore = 0.01;
    FirstCrossing held{
        {.signal = Signal::kGate, .average_over = 1s}, Side::kBelow, kHoldsBackFrac, verdict::IfNever::kWholeWatch};
    if (!lithium()) {
      const Figure over = time_to(Side::kBelow, threshold_v(), patience, {&held});
      return {reached, held.figure(), over};
    }
    FirstCrossing off{
        {.signal = Signal::kGate, .average_over = 1s}, Side::kBelow, kChargesNoMore, verdict::IfNever::kWholeWatch};
    const testing::Watch watch{rig(), {&held, &off}, {Signal::kBusV, Signal::kGate}};
    const Nanos end = rig().now() + patience;
    while (off.figure().cut_off && rig().now() < end && rig().invalid_because().empty()) {
      let_pass(1s);
    }
    return {reached, held.figure(), off.figure()};
  }

  /// By how many per cent the absorption was too long, or below zero too short. It began somewhere between 99 % of the
  /// set point and the moment from which the device held back: what fits into that is right.
  static Figure too_long(const Absorption& absorption, double declared_s) {
    Figure longest = between(absorption.reached, absorption.over);
    const double longest_off = 100.0 * (longest.value / declared_s - 1.0);
    const double begins_s = in_seconds(absorption.held.worst - absorption.reached.worst);
    const double shortest_off =
        absorption.held.cut_off ? longest_off : 100.0 * ((longest.value - begins_s) / declared_s - 1.0);
    longest.value = std::clamp(0.0, std::min(shortest_off, longest_off), longest_off);
    return longest;
  }

  /// From one crossing to the next, in seconds; vacuous if the first never came.
  static Figure between(const Figure& first, const Figure& second) {
    Figure duration = second;
    duration.value = in_seconds(second.worst - first.worst);
    duration.exercised = first.cut_off ? 0 : 1;
    return duration;
  }
};

TEST_F(Stages, GoesFromBulkThroughAbsorptionToFloat) {
  if (!declared().absorption_time_s || !declared().float_v) {
    return not_applicable("absorption time or float voltage are not declared");
  }
  const double absorption_s = *declared().absorption_time_s;
  power_up({.soc_frac = 0.93, .sun = 1000_Wpm2});
  if (lithium()) keep_drawing();
  const auto whole = watch_with({}, {Signal::kBusV, Signal::kGate});
  const Figure bulk = time_to(Side::kAbove, threshold_v(), 2h);
  EXPECT_FALSE(bulk.cut_off) << "absorption was never reached from bulk";
  const Absorption absorption = absorb(bulk, from_seconds(1.5 * absorption_s + 300));

  SettlingTime settles{
      {.signal = Signal::kBusV, .average_over = 1s}, 0.99 * *declared().float_v, 1.01 * *declared().float_v};
  if (lithium()) {
    not_applicable("STAGE-FLOAT-REACHED: a lithium battery keeps its voltage for hours");
    ASSERT_TRUE(come_down_to(*declared().float_v)) << "float was never reached";
  } else {
    const auto settling = watch_with({&settles});
    let_pass(5min);
  }
  Mean mean{{.signal = Signal::kBusV, .minus = *declared().float_v}};
  const auto watch = watch_with({&mean});
  let_pass(60s);
  judge("STAGE-ORDER-ABSORPTION-TIME", too_long(absorption, absorption_s),
        "time at the absorption voltage against the declared time", *whole);
  if (!lithium())
    judge("STAGE-FLOAT-REACHED", settles, "time from the end of absorption until within 1 % of float for good", *whole);
  judge("SETPOINT-FLOAT", mean, "mean bus voltage over 60 s less the float set point", *watch);
  judge_if_asked("LEVEL-FLOAT", less(mean.figure(), -*declared().float_v), "mean bus voltage held in float", *watch);
}

TEST_F(Stages, FollowTheTemperatureOfTheBatteryWithinTheDeclaredWindow) {
  const auto& d = declared();
  if (!d.compensation_v_per_k) {
    return not_applicable("temperature compensation is not declared");
  }
  power_up({.soc_frac = 0.98, .sun = 1000_Wpm2});
  static_cast<void>(await_regulation(d.absorption_v, 30min));
  const auto whole = watch_with({}, {Signal::kBusV, Signal::kBatteryDegc});
  const auto mean_at = [&](double degc, double minus) {
    battery_is_at(Temperature{degc});
    let_pass(from_seconds(2.0 * d.settle_s));
    Mean mean{{.signal = Signal::kBusV, .minus = minus}};
    const auto watch = watch_with({&mean});
    let_pass(20s);
    return mean.figure();
  };
  const double lowest = d.compensation_lowest_degc.value_or(5.0);
  const double highest = d.compensation_highest_degc.value_or(45.0);
  std::vector<verdict::Point> points;
  for (const double degc : {highest, 40.0, 25.0, 0.0, lowest}) {
    if (degc >= lowest && degc <= highest && (points.empty() || degc < points.back().x - 1.0)) {
      points.push_back({degc, mean_at(degc, 0.0).value});
    }
  }
  if (*d.compensation_v_per_k != 0.0) {
    judge("COMPENSATION-SLOPE", per_cent_off(verdict::slope_of(points), *d.compensation_v_per_k),
          "slope of the held voltage over battery temperature, against the declared slope", *whole);
  }
  judge_if_asked("LEVEL-COMPENSATION", verdict::slope_of(points),
                 "slope of the held voltage over battery temperature, per kelvin", *whole);
  if (!d.compensation_lowest_degc || !d.compensation_highest_degc) {
    return not_applicable("no window of temperatures is declared for the compensation");
  }
  const Figure cold = mean_at(lowest - 10.0, d.absorption_v_at(lowest - 10.0));
  const Figure hot = mean_at(highest + 10.0, d.absorption_v_at(highest + 10.0));
  judge("COMPENSATION-CLAMP-COLD", cold, "mean 10 K below the window less the clamped set point", *whole);
  judge("COMPENSATION-CLAMP-HOT", hot, "mean 10 K above the window less the clamped set point", *whole);
}

TEST_F(Stages, SurviveTheRolloverOfTheMillisecondCounter) {
  const auto& hook = board().hooks.millisecond_counter;
  if (!hook) {
    return not_applicable("the board profile names no millisecond counter");
  }
  constexpr std::uint64_t kBeforeWrapMs = 300'000;
  power_up({.soc_frac = 0.97, .sun = 1000_Wpm2});
  if (lithium()) keep_drawing();
  // Early, so that no timer of the firmware spans the jump that this makes.
  let_pass(from_seconds(board().device.startup_delay_s) + 200ms);
  ASSERT_LE(hook->width_bytes, 8);
  const std::uint64_t span = hook->width_bytes == 8 ? 0 : std::uint64_t{1} << (8 * hook->width_bytes);
  if (!rig().set_counter(*hook, span - kBeforeWrapMs)) {
    return not_applicable("the image does not carry the counter's symbol");
  }
  const Nanos wrap = rig().now() + Nanos{kBeforeWrapMs * 1'000'000};
  const Figure start = time_to(Side::kAbove, threshold_v(), 200s);
  EXPECT_FALSE(start.cut_off) << "absorption was not reached before the wrap";
  FirstCrossing held{
      {.signal = Signal::kGate, .average_over = 1s}, Side::kBelow, kHoldsBackFrac, verdict::IfNever::kWholeWatch};
  {
    const testing::Watch holding{rig(), {&held}, {Signal::kGate}};
    rig().run_until(wrap - 30s);
  }
  Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
  Restarts restarts;
  const auto watch = watch_with({&mean, &restarts});
  let_pass(60s);
  watch->end();
  judge("ROLLOVER-REGULATION", mean, "mean bus voltage from 30 s before to 30 s after the wrap, less the set point",
        *watch);
  judge("ROLLOVER-GATE", restarts, "times that charging stopped for a second and began again across the wrap", *watch);
  if (declared().absorption_time_s) {
    const double absorption_s = *declared().absorption_time_s;
    const auto rest = watch_with({});
    const Figure end = lithium() ? absorb(start, from_seconds(1.5 * absorption_s)).over
                                 : time_to(Side::kBelow, threshold_v(), from_seconds(1.5 * absorption_s));
    judge("ROLLOVER-ABSORPTION-TIME", too_long({start, held.figure(), end}, absorption_s),
          "time at the absorption voltage across the wrap against the declared time", *rest);
  }
}

}  // namespace
}  // namespace dawnrig::acceptance
