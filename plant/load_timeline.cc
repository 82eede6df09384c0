#include "plant/load_timeline.h"

#include <algorithm>
#include <limits>

namespace dawnrig::plant {
namespace {

constexpr Nanos kTick{1};

double just_before_a(const LoadParams& load, Nanos now) {
  const SchedulePiece piece = *schedule_piece(load, now - kTick);
  return piece.current_a + piece.slope_a_per_s * in_seconds(kTick);
}

}  // namespace

LoadTimeline::LoadTimeline(const CircuitParams& params, const Conditions& conditions)
    : params_{params}, conditions_{conditions} {
  for (const LoadParams& load : params.loads) {
    if (schedule_piece(load, Nanos{0})) has_schedules_ = true;
    if (!has_lockout(load)) continue;
    has_lockouts_ = true;
    behind_switch_ = behind_switch_ || !load.unswitched;
  }
}

void LoadTimeline::put(Nanos now, ScheduleSide side, Vector& y) const {
  for (std::size_t i = 0; i < params_.loads.size(); ++i) {
    const auto piece = schedule_piece(params_.loads[i], now);
    if (!piece) continue;
    const bool before = side == ScheduleSide::kBefore && now.count() > 0;
    y[Slot::kFirstLoad + i] = before ? just_before_a(params_.loads[i], now) : piece->current_a;
  }
}

Nanos LoadTimeline::follow(Nanos now, Vector& y, CircuitSystem& system) const {
  Nanos until = SchedulePiece::kForever;
  for (std::size_t i = 0; i < params_.loads.size(); ++i) {
    const auto piece = schedule_piece(params_.loads[i], now);
    if (!piece) continue;
    y[Slot::kFirstLoad + i] = piece->current_a;
    system.set_load_slope(i, piece->slope_a_per_s);
    until = std::min(until, piece->until);
  }
  return until;
}

bool LoadTimeline::jumps_at(Nanos now) const {
  if (now.count() <= 0) return false;
  return std::any_of(params_.loads.begin(), params_.loads.end(), [&](const LoadParams& load) {
    const auto before = schedule_piece(load, now - kTick);
    return before && before->until == now && just_before_a(load, now) != schedule_piece(load, now)->current_a;
  });
}

double LoadTimeline::voltage_v(std::size_t load, const Vector& y, const CircuitSystem& system) const {
  const bool unswitched = params_.loads[load].unswitched;
  if (!conditions_.loads[load].on || !(unswitched || conditions_.load_switch_on)) return 0.0;
  return unswitched ? y[Slot::kBus] : system.point().load_v;
}

double LoadTimeline::margin_v(const Vector& y, CircuitSystem& system) const {
  if (behind_switch_ && !system.currents(y)) return 0.0;  // the step that follows says so
  double least_v = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < params_.loads.size(); ++i) {
    if (!has_lockout(params_.loads[i])) continue;
    const auto& power = std::get<ConstantPowerParams>(params_.loads[i].kind);
    least_v = std::min(least_v, lockout_margin_v(power, voltage_v(i, y, system), y[Slot::kFirstLoad + i]));
  }
  return least_v;
}

bool LoadTimeline::change_due(Vector& y, CircuitSystem& system) const {
  if (behind_switch_ && !system.currents(y)) return false;
  bool changed = false;
  for (std::size_t i = 0; i < params_.loads.size(); ++i) {
    if (!has_lockout(params_.loads[i])) continue;
    const auto& power = std::get<ConstantPowerParams>(params_.loads[i].kind);
    double& state = y[Slot::kFirstLoad + i];
    const double v = voltage_v(i, y, system);
    if (!(lockout_margin_v(power, v, state) < 0.0)) continue;
    state = after_lockout_event(power, v, state);
    changed = true;
  }
  return changed;
}

}  // namespace dawnrig::plant
