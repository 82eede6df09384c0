// Plant, load: what hangs on the bus or behind the load switch. May use plant/core only.
#pragma once

#include <variant>

#include "plant/core/problems.h"

namespace dawnrig::plant {

struct ResistiveParams {
  double resistance_ohm{10.0};
};
struct ConstantCurrentParams {
  double current_a{1.0};
  double dropout_v{1.0};
};
struct ConstantPowerParams {
  double power_w{10.0};
  double dropout_v{10.0};
};
struct LampParams {
  double hot_resistance_ohm{27.0};
  double cold_resistance_ohm{2.2};
  double rated_v{24.0};
  double time_constant_s{0.03};
};
struct LoadParams {
  std::variant<ResistiveParams, ConstantCurrentParams, ConstantPowerParams, LampParams> kind;
  bool unswitched{false};  ///< wired to the bus, past the load switch
  void check(Problems& problems) const;
};

/// A load at one voltage: its current, the rate of its state, and the slopes of both.
struct LoadPoint {
  double current_a{}, d_voltage{}, d_state{};
  double state_per_s{}, rate_d_voltage{}, rate_d_state{};
};

/// The load at v volts, current_a > 0 into the load; state is a lamp's filament state and ignored otherwise.
///
///     resistive          I = v/R
///     constant current   I = I0 above dropout_v             } below 0.9 dropout_v the resistance that takes the same
///     constant power     I = P/v above dropout_v            } current at dropout_v, between them a cubic: smooth
///     lamp               I = v/R(x), R = R_hot + (R_cold - R_hot) x, x = 1 cold, 0 at rated power
///                        x' = (1 - (v^2/R(x)) / (rated_v^2/R_hot) - x)/tau
///
/// scale multiplies the current (so many such loads in parallel); a load that is off (on false) takes nothing and its
/// filament cools. Valid for v >= 0; below zero a load is its low-voltage resistance. Not modelled: soft start,
/// hysteresis of a supply's lock-out, inductance; the filament loses heat in proportion to its resistance's rise, while
/// a real one radiates, so it settles faster near full heat than this one. Sources: the trade's definitions; a lamp of
/// the linear thermal kind k x' = P_loss - P. Checked in tests/plant/load_test.cc.
[[nodiscard]] LoadPoint load_at(const LoadParams& params, bool on, double scale, double v, double state);

/// Where a lamp's state settles at v volts; 0 for other loads.
[[nodiscard]] double settled_load_state(const LoadParams& params, bool on, double v);

/// A current that is held above dropout_v and resistive below: the law of the constant-current load.
[[nodiscard]] LoadPoint held_current(double current_a, double dropout_v, double v);

/// Whether a load that is off has nothing to tell: all but a lamp, whose filament cools.
[[nodiscard]] inline bool idle_when_off(const LoadParams& params) {
  return !std::holds_alternative<LampParams>(params.kind);
}

}  // namespace dawnrig::plant
