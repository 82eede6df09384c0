#include "plant/slow_parts.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace dawnrig::plant {
namespace {

constexpr double kOfTimeConstant = 0.2;
// Of a stretch far longer than their time constants: what they settle at needs no closer look.
constexpr double kOfStretch = 5e-3;

}  // namespace

double SlowParts::longest_step_s(double stretch_s, double otherwise_s) const {
  double shortest_s = std::numeric_limits<double>::infinity();  // of their time constants
  if (params_.stage.heat_sink) {
    shortest_s = params_.stage.heat_sink->resistance_k_per_w * params_.stage.heat_sink->heat_capacity_j_per_k;
  }
  for (const std::optional<FuseParams>& fuse : {params_.battery_fuse, params_.panel_fuse}) {
    if (fuse) shortest_s = std::min(shortest_s, fuse->melting_a2s / (fuse->carries_a * fuse->carries_a));
  }
  return std::min(otherwise_s, std::max(kOfTimeConstant * shortest_s, kOfStretch * stretch_s));
}

bool SlowParts::follow(CircuitSystem& system, const Vector& from, const Vector& to, double h_s,
                       CircuitState& state) const {
  if (params_.stage.heat_sink && !conditions_.stage_held_at_temperature) {
    const HeatSinkParams& sink = *params_.stage.heat_sink;
    const double loss_w = (to[Slot::kStageJ] - from[Slot::kStageJ]) / h_s;
    const double settled_degc = conditions_.ambient_degc + loss_w * sink.resistance_k_per_w;
    const double left = std::exp(-h_s / (sink.resistance_k_per_w * sink.heat_capacity_j_per_k));
    state.stage_degc = settled_degc + (state.stage_degc - settled_degc) * left;
  }
  bool blew = false;
  if (params_.battery_fuse) {
    const double mean_a = (to[Slot::kNetAh] - from[Slot::kNetAh]) * 3600.0 / h_s;
    blew = warm_fuse(*params_.battery_fuse, mean_square_a2(system.battery_a(from), mean_a, system.battery_a(to)), h_s,
                     state.battery_fuse);
  }
  if (params_.panel_fuse) {
    const double from_a = system.panel_a(from);
    const double to_a = system.panel_a(to);
    blew = warm_fuse(*params_.panel_fuse, mean_square_a2(from_a, 0.5 * (from_a + to_a), to_a), h_s, state.panel_fuse) ||
           blew;
  }
  return blew;
}

}  // namespace dawnrig::plant
