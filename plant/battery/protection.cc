#include "plant/battery/protection.h"

#include <algorithm>

#include "plant/core/range_check.h"

namespace dawnrig::plant {

void ProtectionParams::check(Problems& problems) const {
  if (!fitted) return;
  const auto range = [&](const char* field, double value, double low, double high) {
    check_range(problems, std::string("protection.") + field, value, {low, high});
  };
  range("high_cell_v", high_cell_v, 3.4, 4.5);
  range("high_release_cell_v", high_release_cell_v, 3.2, 4.5);
  range("high_delay_s", high_delay_s, 0.001, 600.0);
  range("low_cell_v", low_cell_v, 1.5, 3.2);
  range("low_release_cell_v", low_release_cell_v, 1.5, 3.3);
  range("low_delay_s", low_delay_s, 0.001, 600.0);
  range("cold_charge_degc", cold_charge_degc, -60.0, 30.0);
  range("cold_release_degc", cold_release_degc, -60.0, 40.0);
  range("hot_degc", hot_degc, 30.0, 120.0);
  range("hot_release_degc", hot_release_degc, 20.0, 120.0);
  range("temperature_delay_s", temperature_delay_s, 0.001, 600.0);
  range("release_delay_s", release_delay_s, 0.001, 600.0);
  if (!(high_release_cell_v < high_cell_v)) {
    problems.add("protection.high_release_cell_v", "must be below high_cell_v");
  }
  if (!(low_release_cell_v > low_cell_v)) problems.add("protection.low_release_cell_v", "must be above low_cell_v");
  if (!(low_release_cell_v < high_release_cell_v)) {
    problems.add("protection.low_release_cell_v", "must be below high_release_cell_v");
  }
  if (!(cold_release_degc > cold_charge_degc)) {
    problems.add("protection.cold_release_degc", "must be above cold_charge_degc");
  }
  if (!(hot_release_degc < hot_degc)) problems.add("protection.hot_release_degc", "must be below hot_degc");
  if (!(cold_release_degc < hot_release_degc)) {
    problems.add("protection.cold_release_degc", "must be below hot_release_degc");
  }
}

Protection::Protection(const ProtectionParams& checked)
    : p_{checked},
      delay_{from_seconds(checked.high_delay_s), from_seconds(checked.low_delay_s),
             from_seconds(checked.temperature_delay_s), from_seconds(checked.temperature_delay_s)},
      release_delay_{from_seconds(checked.release_delay_s)} {}

std::array<bool, kProtectionCauses> Protection::holding(const ProtectionView& seen) const {
  return {seen.cell_v > p_.high_cell_v && !(seen.battery_a < 0.0),
          seen.cell_v < p_.low_cell_v && !(seen.battery_a > 0.0),
          seen.battery_degc<p_.cold_charge_degc, seen.battery_degc> p_.hot_degc};
}

bool Protection::released(ProtectionCause cause, const ProtectionView& seen) const {
  switch (cause) {
    case ProtectionCause::kHighVoltage:
      return seen.cell_v <= p_.high_release_cell_v;
    case ProtectionCause::kLowVoltage:
      return seen.cell_v >= p_.low_release_cell_v;
    case ProtectionCause::kColdCharge:
      return seen.battery_degc >= p_.cold_release_degc;
    case ProtectionCause::kHot:
      return seen.battery_degc <= p_.hot_release_degc;
  }
  return false;
}

// Cold cells may be discharged: their board opens when, having been cold for the delay, they are charged.
bool Protection::waits(ProtectionCause cause, const ProtectionView& seen) {
  return cause == ProtectionCause::kColdCharge && !(seen.battery_a > 0.0);
}

bool Protection::asked(ProtectionCause cause, const ProtectionView& seen) {
  switch (cause) {
    case ProtectionCause::kHighVoltage:
    case ProtectionCause::kColdCharge:
      return seen.outside_v <= -kDiodeV;
    case ProtectionCause::kLowVoltage:
      return seen.outside_v >= kDiodeV;
    case ProtectionCause::kHot:
      break;
  }
  return false;
}

bool Protection::observe(ProtectionState& state, Nanos now, const ProtectionView& seen) const {
  if (state.open) {
    const bool free = released(state.cause, seen);
    if (!free) state.release_since = kNever;
    if (free && state.release_since == kNever) state.release_since = now;
    if (!asked(state.cause, seen) && !(free && now - state.release_since >= release_delay_)) return false;
    state.open = false;
    state.release_since = kNever;
    state.since.fill(kNever);
    return true;
  }
  const auto holds = holding(seen);
  for (std::size_t i = 0; i < kProtectionCauses; ++i) {
    if (!holds[i]) {
      state.since[i] = kNever;
      continue;
    }
    if (state.since[i] == kNever) state.since[i] = now;
    const auto cause = static_cast<ProtectionCause>(i);
    if (state.open || now - state.since[i] < delay_[i] || waits(cause, seen)) continue;
    state.open = true;
    state.cause = cause;
  }
  return state.open;
}

bool Protection::would_note(const ProtectionState& state, Nanos now, const ProtectionView& seen) const {
  if (state.open) return asked(state.cause, seen) || released(state.cause, seen) != (state.release_since != kNever);
  const auto holds = holding(seen);
  for (std::size_t i = 0; i < kProtectionCauses; ++i) {
    if (holds[i] != (state.since[i] != kNever)) return true;
    if (holds[i] && now - state.since[i] > delay_[i] && !waits(static_cast<ProtectionCause>(i), seen)) return true;
  }
  return false;
}

Nanos Protection::due(const ProtectionState& state, Nanos now) const {
  Nanos first = Nanos::max();
  if (state.open) return state.release_since == kNever ? first : state.release_since + release_delay_;
  for (std::size_t i = 0; i < kProtectionCauses; ++i) {
    if (state.since[i] != kNever && state.since[i] + delay_[i] > now)
      first = std::min(first, state.since[i] + delay_[i]);
  }
  return first;
}

}  // namespace dawnrig::plant
