#include "harness/verdict/battery_counters.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/trace/stretch.h"
#include "harness/verdict/durations.h"

namespace dawnrig::verdict {
namespace {

using base::number_text;
using trace::Signal;

double within(const char* option, double value, double lowest, double highest) {
  if (value >= lowest && value <= highest) return value;
  throw base::BadInput(option,
                       "is " + number_text(value) + ", must be " + number_text(lowest) + " to " + number_text(highest));
}

std::string duration_text(double s) {
  return s >= 3600 ? number_text(s / 3600, 2) + " h" : number_text(s, 3) + " s";
}

}  // namespace

BatteryLimits battery_limits(const profile::Declared& declared, const BatteryLimitsGiven& given) {
  BatteryLimits limits;
  limits.above_v = within("--count-above-v", given.above_v.value_or(declared.over_voltage_v), 0, 1000);
  limits.above_degc = within("--count-above-degc", given.above_degc.value_or(limits.above_degc), -60, 200);
  limits.below_soc_frac = within("--count-below-soc-frac", given.below_soc_frac.value_or(limits.below_soc_frac), 0, 1);
  return limits;
}

std::string text_of(const BatteryCounts& c) {
  return number_text(c.in_ah, 3) + " Ah in, " + number_text(c.out_ah, 3) + " Ah out, " + number_text(c.gassing_ah, 4) +
         " Ah gassed, " + number_text(c.unstored_ah, 4) + " Ah lost otherwise; " + duration_text(c.above_v_s) +
         " above " + number_text(c.limits.above_v) + " V (highest " + number_text(c.highest_v, 3) + " V), " +
         duration_text(c.above_degc_s) + " above " + number_text(c.limits.above_degc) + " °C (highest " +
         number_text(c.highest_degc, 1) + " °C), " + duration_text(c.below_soc_s) + " below a charge of " +
         number_text(c.limits.below_soc_frac) + " (lowest " + number_text(c.lowest_soc_frac, 4) + ")";
}

BatteryClock::BatteryClock(const BatteryLimits& limits) {
  counts_.limits = limits;
}

void BatteryClock::on_sample(const trace::Sample& sample) {
  const double v = sample[Signal::kTerminalV];
  const double degc = sample[Signal::kBatteryDegc];
  const double soc_frac = sample[Signal::kSocFrac];
  const double beyond_v = v - counts_.limits.above_v;
  const double beyond_degc = degc - counts_.limits.above_degc;
  const double beyond_soc = counts_.limits.below_soc_frac - soc_frac;
  if (started_) {
    const double s = in_seconds(sample.time - last_);
    counts_.above_v_s += s * share_above_zero(beyond_v_, beyond_v);
    counts_.above_degc_s += s * share_above_zero(beyond_degc_, beyond_degc);
    counts_.below_soc_s += s * share_above_zero(beyond_soc_, beyond_soc);
  }
  counts_.highest_v = started_ ? std::max(counts_.highest_v, v) : v;
  counts_.highest_degc = started_ ? std::max(counts_.highest_degc, degc) : degc;
  counts_.lowest_soc_frac = started_ ? std::min(counts_.lowest_soc_frac, soc_frac) : soc_frac;
  started_ = true;
  last_ = sample.time;
  beyond_v_ = beyond_v;
  beyond_degc_ = beyond_degc;
  beyond_soc_ = beyond_soc;
}

void BatteryClock::on_stretch(const trace::Stretch& stretch) {
  const auto lowest = [&stretch](Signal signal) { return stretch.lowest()[static_cast<std::size_t>(signal)]; };
  const auto highest = [&stretch](Signal signal) { return stretch.highest()[static_cast<std::size_t>(signal)]; };
  const BatteryLimits& limits = counts_.limits;
  const bool above_v = lowest(Signal::kTerminalV) > limits.above_v;
  const bool above_degc = lowest(Signal::kBatteryDegc) > limits.above_degc;
  const bool below_soc = highest(Signal::kSocFrac) < limits.below_soc_frac;
  const auto mean = [&stretch](Signal signal) { return stretch.mean()[static_cast<std::size_t>(signal)]; };
  // Numbers, and on one side of each limit throughout.
  const bool numbers = !std::isnan(mean(Signal::kTerminalV) + mean(Signal::kBatteryDegc) + mean(Signal::kSocFrac));
  const bool crosses_none = numbers && (above_v || highest(Signal::kTerminalV) <= limits.above_v) &&
                            (above_degc || highest(Signal::kBatteryDegc) <= limits.above_degc) &&
                            (below_soc || lowest(Signal::kSocFrac) >= limits.below_soc_frac);
  if (!started_ || stretch.from() != last_ || !crosses_none) {
    Sink::on_stretch(stretch);
    return;
  }
  const double s = in_seconds(stretch.duration());
  if (above_v) counts_.above_v_s += s;
  if (above_degc) counts_.above_degc_s += s;
  if (below_soc) counts_.below_soc_s += s;
  counts_.highest_v = std::max(counts_.highest_v, highest(Signal::kTerminalV));
  counts_.highest_degc = std::max(counts_.highest_degc, highest(Signal::kBatteryDegc));
  counts_.lowest_soc_frac = std::min(counts_.lowest_soc_frac, lowest(Signal::kSocFrac));
  const trace::Sample& end = stretch.end();
  last_ = end.time;
  beyond_v_ = end[Signal::kTerminalV] - limits.above_v;
  beyond_degc_ = end[Signal::kBatteryDegc] - limits.above_degc;
  beyond_soc_ = limits.below_soc_frac - end[Signal::kSocFrac];
}

}  // namespace dawnrig::verdict
