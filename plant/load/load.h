// Plant, load: what hangs on the bus or behind the load switch. May use plant/core only.
#pragma once

#include <optional>
#include <variant>

#include "plant/core/problems.h"
#include "plant/load/schedule.h"

namespace dawnrig::plant {

struct ResistiveParams {
  double resistance_ohm{10.0};
};
struct ConstantCurrentParams {
  double current_a{1.0};
  double dropout_v{1.0};
};
/// With a lock-out: lets go below lockout_v, and takes power again once its voltage has been above restart_v for
/// restart_delay_s.
struct ConstantPowerParams {
  double power_w{10.0};
  double dropout_v{10.0};
  double lockout_v{0.0};  ///< 0: no lock-out
  double restart_v{0.0};
  double restart_delay_s{0.1};
};
struct LampParams {
  double hot_resistance_ohm{27.0};
  double cold_resistance_ohm{2.2};
  double rated_v{24.0};
  double time_constant_s{0.03};
  double radiated_frac{0.0};  ///< of the power at rated_v; the rest is conducted
};
struct MotorParams {
  double winding_ohm{0.5};
  double emf_v_s{0.1};        ///< volts per radian per second, and newton metres per ampere
  double inertia_kgm2{1e-3};  ///< of the rotor and all it turns
  double rated_v{24.0};
  double running_a{2.0};  ///< taken at rated_v when run up: what the machine's drag costs
};
struct LoadParams {
  std::variant<ResistiveParams, ConstantCurrentParams, ConstantPowerParams, LampParams, MotorParams, PulsedParams,
               SeriesParams>
      kind;
  bool unswitched{false};  ///< wired to the bus, past the load switch
  void check(Problems& problems) const;
};

/// A load at one voltage: its current, the rate of its state, and the slopes of both.
struct LoadPoint {
  double current_a{}, d_voltage{}, d_state{};
  double state_per_s{}, rate_d_voltage{}, rate_d_state{};
};

/// The load at v volts, current_a > 0 into the load.
///
///     resistive          I = v/R
///     constant current   I = I0 above dropout_v             } below 0.9 dropout_v the resistance that takes the same
///     constant power     I = P/v above dropout_v            } current at dropout_v, between them a cubic: smooth
///     lamp               I = v/R(x), R = R_hot + (R_cold - R_hot) x, x = 1 cold, 0 at rated power
///                        x' = (loss(x) - (v^2/R(x)) / (rated_v^2/R_hot))/tau
///                        loss = (1 - f)(1 - x) + f ((R/R_hot)^(10/3) - c)/(1 - c), c = (R_cold/R_hot)^(10/3)
///     motor              I = (v - rated_v x)/R, x = speed * Ke / rated_v
///                        x' = Ke^2/J (I/rated_v - drag x), drag = running_a/(rated_v - R running_a)
///     pulsed, series     I0 is the state itself, which follows its schedule at the slope that the caller knows
///
/// scale multiplies the current (so many such loads in parallel). A load that is off (on false) takes nothing; its
/// filament cools, its rotor runs down. Valid for v >= 0; below zero a load is its low-voltage resistance. A motor that
/// turns faster than its voltage feeds back. A lamp's f is what it radiates: R goes as T^1.2, so T^4 as R^(10/3). The
/// state of a supply with a lock-out: 0 runs, 2 waits for restart_v, between them what is left of its delay.
///
/// Left out: soft start; a motor's inductance (a millihenry behind an ohm is over in 1 ms, its run-up takes a hundred),
/// its brushes and cogging; loads that are off together feed nothing to one another. Sources: the trade's definitions;
/// the lamp's heat balance as in Ben-Yaakov and Peretz's circuit models, exponents of tungsten. Checked in
/// tests/plant/load_test.cc and load_kinds_test.cc.
[[nodiscard]] LoadPoint load_at(const LoadParams& params, bool on, double scale, double v, double state,
                                double schedule_a_per_s = 0.0);

/// Where a load's state settles at v volts: a filament, a rotor, a supply that has been on for long. 0 for those
/// without a state, and for those with a schedule.
[[nodiscard]] double settled_load_state(const LoadParams& params, bool on, double v);

/// A current that is held above dropout_v and resistive below: the law of the constant-current load.
[[nodiscard]] LoadPoint held_current(double current_a, double dropout_v, double v);

/// Whether a load that is off has nothing to tell: all but a lamp, whose filament cools, and a motor, which runs down.
[[nodiscard]] inline bool idle_when_off(const LoadParams& params) {
  return !std::holds_alternative<LampParams>(params.kind) && !std::holds_alternative<MotorParams>(params.kind);
}

/// What a load would hold its terminals at with nothing connected: a motor's electromotive force.
[[nodiscard]] inline double open_terminal_v(const LoadParams& params, double state) {
  const auto* motor = std::get_if<MotorParams>(&params.kind);
  return motor == nullptr ? 0.0 : motor->rated_v * state;
}

/// The piece of a load's schedule; nullopt if it has none.
[[nodiscard]] std::optional<SchedulePiece> schedule_piece(const LoadParams& params, Nanos now);

/// A supply with a lock-out changes state when this falls below zero: at v volts (0 while it is off).
[[nodiscard]] inline bool has_lockout(const LoadParams& params) {
  const auto* power = std::get_if<ConstantPowerParams>(&params.kind);
  return power != nullptr && power->lockout_v > 0.0;
}
[[nodiscard]] double lockout_margin_v(const ConstantPowerParams& params, double v, double state);
/// The state after that.
[[nodiscard]] double after_lockout_event(const ConstantPowerParams& params, double v, double state);

}  // namespace dawnrig::plant
