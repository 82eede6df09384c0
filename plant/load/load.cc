#include "plant/load/load.h"

#include <cmath>
#include <string>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kResistiveBelow = 0.9;  // of the dropout voltage

// Below the dropout voltage: a resistance, then the cubic that meets current and slope of the law at the dropout.
LoadPoint below_dropout(double current_a, double slope, double dropout_v, double v) {
  LoadPoint q;
  const double g = current_a / dropout_v;
  const double low_v = kResistiveBelow * dropout_v;
  if (v <= low_v) {
    q.current_a = g * v;
    q.d_voltage = g;
    return q;
  }
  const double width = dropout_v - low_v;
  const double t = (v - low_v) / width;
  // The resistance's line plus the part that bends its slope to the law's: t^2 (t - 1) has slope 1 at t = 1.
  const double bend = (slope - g) * width;
  q.current_a = g * v + bend * t * t * (t - 1.0);
  q.d_voltage = g + bend / width * t * (3.0 * t - 2.0);
  return q;
}

struct At {
  double v;
  double state;

  LoadPoint operator()(const ResistiveParams& p) const {
    LoadPoint q;
    q.d_voltage = 1.0 / p.resistance_ohm;
    q.current_a = v * q.d_voltage;
    return q;
  }
  LoadPoint operator()(const ConstantCurrentParams& p) const { return held_current(p.current_a, p.dropout_v, v); }
  LoadPoint operator()(const ConstantPowerParams& p) const {
    if (v < p.dropout_v) {
      const double at_dropout_a = p.power_w / p.dropout_v;
      return below_dropout(at_dropout_a, -at_dropout_a / p.dropout_v, p.dropout_v, v);
    }
    LoadPoint q;
    q.current_a = p.power_w / v;
    q.d_voltage = -q.current_a / v;
    return q;
  }
  LoadPoint operator()(const LampParams& p) const {
    LoadPoint q;
    const double swing_ohm = p.cold_resistance_ohm - p.hot_resistance_ohm;
    const double g = 1.0 / (p.hot_resistance_ohm + swing_ohm * state);
    const double per_rated_w = p.hot_resistance_ohm / (p.rated_v * p.rated_v);
    const double power = v * v * g * per_rated_w;
    q.current_a = v * g;
    q.d_voltage = g;
    q.d_state = -v * g * g * swing_ohm;
    q.state_per_s = (1.0 - power - state) / p.time_constant_s;
    q.rate_d_voltage = -2.0 * v * g * per_rated_w / p.time_constant_s;
    q.rate_d_state = (power * g * swing_ohm - 1.0) / p.time_constant_s;
    return q;
  }
};

void check_kind(Problems& problems, const ResistiveParams& p) {
  check_range(problems, "resistive.resistance_ohm", p.resistance_ohm, {0.01, 1e9});
}
void check_kind(Problems& problems, const ConstantCurrentParams& p) {
  check_range(problems, "constant_current.current_a", p.current_a, {0.0, 1000.0});
  check_range(problems, "constant_current.dropout_v", p.dropout_v, {0.0, 100.0, true});
}
void check_kind(Problems& problems, const ConstantPowerParams& p) {
  check_range(problems, "constant_power.power_w", p.power_w, {0.0, 1e5});
  check_range(problems, "constant_power.dropout_v", p.dropout_v, {0.0, 200.0, true});
}
void check_kind(Problems& problems, const LampParams& p) {
  check_range(problems, "lamp.hot_resistance_ohm", p.hot_resistance_ohm, {0.05, 1e5});
  check_range(problems, "lamp.cold_resistance_ohm", p.cold_resistance_ohm, {0.01, 1e5});
  if (p.cold_resistance_ohm > p.hot_resistance_ohm) {
    problems.add("lamp.cold_resistance_ohm", "must not be above hot_resistance_ohm");
  }
  check_range(problems, "lamp.rated_v", p.rated_v, {0.0, 400.0, true});
  check_range(problems, "lamp.time_constant_s", p.time_constant_s, {0.001, 10.0});
}

}  // namespace

void LoadParams::check(Problems& problems) const {
  std::visit([&](const auto& p) { check_kind(problems, p); }, kind);
}

LoadPoint held_current(double current_a, double dropout_v, double v) {
  if (v < dropout_v) return below_dropout(current_a, 0.0, dropout_v, v);
  LoadPoint q;
  q.current_a = current_a;
  return q;
}

LoadPoint load_at(const LoadParams& params, bool on, double scale, double v, double state) {
  LoadPoint q;
  if (on) {
    q = std::visit(At{v, state}, params.kind);
    q.current_a *= scale;
    q.d_voltage *= scale;
    q.d_state *= scale;
  } else if (const auto* lamp = std::get_if<LampParams>(&params.kind)) {
    q.state_per_s = (1.0 - state) / lamp->time_constant_s;
    q.rate_d_state = -1.0 / lamp->time_constant_s;
  }
  return q;
}

double settled_load_state(const LoadParams& params, bool on, double v) {
  const auto* lamp = std::get_if<LampParams>(&params.kind);
  if (lamp == nullptr) return 0.0;
  if (!on) return 1.0;
  // (1 - x) R(x) = power at R_hot: a quadratic in y = 1 - x, R = R_cold + (R_hot - R_cold) y.
  const double swing = lamp->hot_resistance_ohm - lamp->cold_resistance_ohm;
  const double p = v / lamp->rated_v;
  const double c = p * p * lamp->hot_resistance_ohm;
  const double root = std::sqrt(lamp->cold_resistance_ohm * lamp->cold_resistance_ohm + 4.0 * swing * c);
  return 1.0 - 2.0 * c / (lamp->cold_resistance_ohm + root);
}

}  // namespace dawnrig::plant
