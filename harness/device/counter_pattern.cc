#include "harness/device/counter_pattern.h"

#include <algorithm>

namespace dawnrig::device {
namespace {

std::int64_t wrapped(std::int64_t value, std::int64_t period) {
  const std::int64_t rest = value % period;
  return rest < 0 ? rest + period : rest;
}

}  // namespace

std::int64_t CounterPattern::period_ticks() const {
  return dual_slope_ ? std::max<std::int64_t>(1, 2 * top_) : top_ + 1;
}

void CounterPattern::restart(std::int64_t tick, std::int64_t value, bool counting_down, bool dual_slope,
                             std::int64_t top, std::int64_t max) {
  dual_slope_ = dual_slope;
  top_ = top;
  start_tick_ = tick;
  start_value_ = value;
  entry_tick_ = tick;
  lead_up_ = false;
  lead_down_ = false;
  if (value <= top) {
    const bool down = dual_slope && counting_down;
    entry_phase_ = down ? wrapped(2 * top - value, period_ticks()) : wrapped(value, period_ticks());
    return;
  }
  if (dual_slope && counting_down) {
    lead_down_ = true;
    entry_tick_ = tick + (value - top);
    entry_phase_ = wrapped(top, period_ticks());
    return;
  }
  lead_up_ = true;
  entry_tick_ = tick + (max - value) + 1;
  entry_phase_ = 0;
}

std::int64_t CounterPattern::phase_at(std::int64_t tick) const {
  return wrapped(entry_phase_ + (tick - entry_tick_), period_ticks());
}

std::int64_t CounterPattern::value_at(std::int64_t tick) const {
  if (!on_pattern(tick)) {
    return lead_up_ ? start_value_ + (tick - start_tick_) : start_value_ - (tick - start_tick_);
  }
  const std::int64_t phase = phase_at(tick);
  return dual_slope_ && phase > top_ ? 2 * top_ - phase : phase;
}

bool CounterPattern::counting_down_at(std::int64_t tick) const {
  if (!on_pattern(tick)) {
    return lead_down_;
  }
  return dual_slope_ && phase_at(tick) >= top_;
}

std::int64_t CounterPattern::next_at_phase(std::int64_t phase, std::int64_t tick) const {
  const std::int64_t period = period_ticks();
  const std::int64_t from = std::max(tick, entry_tick_ - 1);
  return from + 1 + wrapped(phase - (entry_phase_ + (from - entry_tick_)) - 1, period);
}

std::int64_t CounterPattern::lead_leaves(std::int64_t value, std::int64_t tick) const {
  std::int64_t leaves = -1;
  if (lead_up_ && value >= start_value_) {
    leaves = start_tick_ + (value - start_value_) + 1;
  } else if (lead_down_ && value <= start_value_) {
    leaves = start_tick_ + (start_value_ - value) + 1;
  }
  return leaves > tick && leaves <= entry_tick_ ? leaves : -1;
}

}  // namespace dawnrig::device
