#include "plant/load/load.h"

#include <cmath>
#include <string>
#include <variant>

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

// A current that scales with the state: held above the dropout, resistive below.
LoadPoint scheduled_current(double dropout_v, double v, double state_a, double slope_a_per_s) {
  LoadPoint q = held_current(1.0, dropout_v, v);
  q.d_state = q.current_a;
  q.current_a *= state_a;
  q.d_voltage *= state_a;
  q.state_per_s = slope_a_per_s;
  return q;
}

constexpr double kWaiting = 2.0;  // a locked-out supply, for its voltage
constexpr double kDelayed = 1.0;  // and counting down from here to zero
constexpr double kBetween = 1.5;
constexpr double kRadiatedPower = 10.0 / 3.0;  // T^4 in terms of a tungsten filament's resistance, R = T^1.2

// What a filament loses, as a fraction of its rated power, and the slope with x.
struct Loss {
  double power_frac, d_x;
};
Loss filament_loss(const LampParams& p, double x) {
  if (p.radiated_frac == 0.0) return {1.0 - x, -1.0};
  const double cold = p.cold_resistance_ohm / p.hot_resistance_ohm;
  const double ratio = std::fmax(1.0 + (cold - 1.0) * x, 0.1 * cold);
  const double floor = std::pow(cold, kRadiatedPower);
  const double hot = std::pow(ratio, kRadiatedPower);
  const double radiated = (hot - floor) / (1.0 - floor);
  const double radiated_d_x = kRadiatedPower * hot / ratio * (cold - 1.0) / (1.0 - floor);
  return {(1.0 - p.radiated_frac) * (1.0 - x) + p.radiated_frac * radiated,
          p.radiated_frac - 1.0 + p.radiated_frac * radiated_d_x};
}

double drag_per_ohm(const MotorParams& p) {
  return p.running_a / (p.rated_v - p.winding_ohm * p.running_a);
}

struct At {
  double v;
  double state;
  double schedule_a_per_s;

  LoadPoint operator()(const ResistiveParams& p) const {
    LoadPoint q;
    q.d_voltage = 1.0 / p.resistance_ohm;
    q.current_a = v * q.d_voltage;
    return q;
  }
  LoadPoint operator()(const ConstantCurrentParams& p) const { return held_current(p.current_a, p.dropout_v, v); }
  LoadPoint operator()(const ConstantPowerParams& p) const {
    LoadPoint q;
    if (p.lockout_v > 0.0 && state != 0.0) {
      q.state_per_s = state < kBetween ? -1.0 / p.restart_delay_s : 0.0;
      return q;
    }
    if (v < p.dropout_v) {
      const double at_dropout_a = p.power_w / p.dropout_v;
      return below_dropout(at_dropout_a, -at_dropout_a / p.dropout_v, p.dropout_v, v);
    }
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
    q.rate_d_voltage = -2.0 * v * g * per_rated_w / p.time_constant_s;
    if (p.radiated_frac == 0.0) {
      q.state_per_s = (1.0 - power - state) / p.time_constant_s;
      q.rate_d_state = (power * g * swing_ohm - 1.0) / p.time_constant_s;
      return q;
    }
    const Loss loss = filament_loss(p, state);
    q.state_per_s = (loss.power_frac - power) / p.time_constant_s;
    q.rate_d_state = (power * g * swing_ohm + loss.d_x) / p.time_constant_s;
    return q;
  }
  LoadPoint operator()(const MotorParams& p) const {
    LoadPoint q;
    const double per_inertia = p.emf_v_s * p.emf_v_s / p.inertia_kgm2;
    const double drag = drag_per_ohm(p);
    q.d_voltage = 1.0 / p.winding_ohm;
    q.current_a = (v - p.rated_v * state) * q.d_voltage;
    q.d_state = -p.rated_v * q.d_voltage;
    q.state_per_s = per_inertia * (q.current_a / p.rated_v - drag * state);
    q.rate_d_voltage = per_inertia * q.d_voltage / p.rated_v;
    q.rate_d_state = -per_inertia * (q.d_voltage + drag);
    return q;
  }
  LoadPoint operator()(const PulsedParams& p) const {
    return scheduled_current(p.dropout_v, v, state, schedule_a_per_s);
  }
  LoadPoint operator()(const SeriesParams& p) const {
    return scheduled_current(p.dropout_v, v, state, schedule_a_per_s);
  }
};

struct WhenOff {
  double state;

  template <class Other>
  LoadPoint operator()(const Other& /*idle*/) const {
    return {};
  }
  LoadPoint operator()(const LampParams& p) const {
    LoadPoint q;
    if (p.radiated_frac == 0.0) {
      q.state_per_s = (1.0 - state) / p.time_constant_s;
      q.rate_d_state = -1.0 / p.time_constant_s;
      return q;
    }
    const Loss loss = filament_loss(p, state);
    q.state_per_s = loss.power_frac / p.time_constant_s;
    q.rate_d_state = loss.d_x / p.time_constant_s;
    return q;
  }
  LoadPoint operator()(const MotorParams& p) const {
    LoadPoint q;
    q.rate_d_state = -p.emf_v_s * p.emf_v_s / p.inertia_kgm2 * drag_per_ohm(p);
    q.state_per_s = q.rate_d_state * state;
    return q;
  }
};

struct Settled {
  double v;

  template <class Other>
  double operator()(const Other& /*without a state*/) const {
    return 0.0;
  }
  double operator()(const ConstantPowerParams& p) const { return v < p.lockout_v ? kWaiting : 0.0; }
  double operator()(const LampParams& lamp) const {
    if (lamp.radiated_frac != 0.0) return radiating(lamp);
    // (1 - x) R(x) = power at R_hot: a quadratic in y = 1 - x, R = R_cold + (R_hot - R_cold) y.
    const double swing = lamp.hot_resistance_ohm - lamp.cold_resistance_ohm;
    const double p = v / lamp.rated_v;
    const double c = p * p * lamp.hot_resistance_ohm;
    const double root = std::sqrt(lamp.cold_resistance_ohm * lamp.cold_resistance_ohm + 4.0 * swing * c);
    return 1.0 - 2.0 * c / (lamp.cold_resistance_ohm + root);
  }
  double operator()(const MotorParams& p) const { return v / p.rated_v / (1.0 + drag_per_ohm(p) * p.winding_ohm); }

 private:
  // The loss falls and the power rises with x: one root, by halving.
  [[nodiscard]] double radiating(const LampParams& lamp) const {
    double hot = -10.0;
    double cold = 1.0;
    constexpr int kHalvings = 60;
    for (int i = 0; i < kHalvings; ++i) {
      const double x = 0.5 * (hot + cold);
      (At{v, x, 0.0}(lamp).state_per_s > 0.0 ? hot : cold) = x;
    }
    return 0.5 * (hot + cold);
  }
};

void check_kind(Problems& problems, const ResistiveParams& p) {
  check_range(problems, "resistive.resistance_ohm", p.resistance_ohm, {0.01, 1e9});
}
void check_kind(Problems& problems, const ConstantCurrentParams& p) {
  check_range(problems, "constant_current.current_a", p.current_a, {0.0, 1000.0});
  check_range(problems, "constant_current.dropout_v", p.dropout_v, {0.01, 100.0});
}
void check_kind(Problems& problems, const ConstantPowerParams& p) {
  check_range(problems, "constant_power.power_w", p.power_w, {0.0, 1e5});
  check_range(problems, "constant_power.dropout_v", p.dropout_v, {0.01, 200.0});
  if (p.lockout_v == 0.0) return;
  check_range(problems, "constant_power.lockout_v", p.lockout_v, {0.01, 200.0});
  check_range(problems, "constant_power.restart_v", p.restart_v, {0.01, 200.0});
  check_range(problems, "constant_power.restart_delay_s", p.restart_delay_s, {1e-3, 3600.0});
  if (!(p.restart_v > p.lockout_v)) problems.add("constant_power.restart_v", "must be above lockout_v");
  if (!(p.lockout_v >= p.dropout_v)) problems.add("constant_power.lockout_v", "must not be below dropout_v");
}
void check_kind(Problems& problems, const LampParams& p) {
  check_range(problems, "lamp.hot_resistance_ohm", p.hot_resistance_ohm, {0.05, 1e5});
  check_range(problems, "lamp.cold_resistance_ohm", p.cold_resistance_ohm, {0.01, 1e5});
  if (p.cold_resistance_ohm > p.hot_resistance_ohm) {
    problems.add("lamp.cold_resistance_ohm", "must not be above hot_resistance_ohm");
  }
  check_range(problems, "lamp.rated_v", p.rated_v, {0.1, 400.0});
  check_range(problems, "lamp.time_constant_s", p.time_constant_s, {0.001, 10.0});
  check_range(problems, "lamp.radiated_frac", p.radiated_frac, {0.0, 1.0});
  if (p.radiated_frac > 0.0 && p.cold_resistance_ohm == p.hot_resistance_ohm) {
    problems.add("lamp.radiated_frac", "means nothing for a filament that does not warm: hot equals cold resistance");
  }
}
void check_kind(Problems& problems, const MotorParams& p) {
  check_range(problems, "motor.winding_ohm", p.winding_ohm, {1e-3, 1e4});
  check_range(problems, "motor.emf_v_s", p.emf_v_s, {1e-4, 100.0});
  check_range(problems, "motor.inertia_kgm2", p.inertia_kgm2, {1e-9, 1e3});
  check_range(problems, "motor.rated_v", p.rated_v, {0.1, 400.0});
  check_range(problems, "motor.running_a", p.running_a, {0.0, 1000.0});
  if (!(p.running_a * p.winding_ohm < p.rated_v)) {
    problems.add("motor.running_a", "must be below rated_v / winding_ohm, which it takes at standstill");
  }
  const double run_up_s = p.winding_ohm * p.inertia_kgm2 / (p.emf_v_s * p.emf_v_s);
  if (!(run_up_s >= 1e-3)) {
    problems.add("motor.inertia_kgm2",
                 "makes it run up within a millisecond, must be larger: its inductance, which "
                 "is left out, would count");
  }
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

LoadPoint load_at(const LoadParams& params, bool on, double scale, double v, double state, double schedule_a_per_s) {
  if (!on) return std::visit(WhenOff{state}, params.kind);
  LoadPoint q = std::visit(At{v, state, schedule_a_per_s}, params.kind);
  q.current_a *= scale;
  q.d_voltage *= scale;
  q.d_state *= scale;
  return q;
}

double settled_load_state(const LoadParams& params, bool on, double v) {
  if (!on) return std::holds_alternative<LampParams>(params.kind) ? 1.0 : has_lockout(params) ? kWaiting : 0.0;
  return std::visit(Settled{v}, params.kind);
}

std::optional<SchedulePiece> schedule_piece(const LoadParams& params, Nanos now) {
  if (const auto* pulsed = std::get_if<PulsedParams>(&params.kind)) return piece_at(*pulsed, now);
  if (const auto* series = std::get_if<SeriesParams>(&params.kind)) return piece_at(*series, now);
  return std::nullopt;
}

double lockout_margin_v(const ConstantPowerParams& p, double v, double state) {
  if (state == 0.0) return v - p.lockout_v;
  if (state > kBetween) return p.restart_v - v;
  return std::fmin(v - p.restart_v, state);
}

double after_lockout_event(const ConstantPowerParams& p, double v, double state) {
  if (state > kBetween) return kDelayed;
  if (state == 0.0) return kWaiting;
  return v < p.restart_v ? kWaiting : 0.0;
}

}  // namespace dawnrig::plant
