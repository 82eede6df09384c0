// Plant: between the state that callers hold and the vector of unknowns that is integrated. May use plant only; for
// circuit*.cc.
#pragma once

#include <algorithm>
#include <cmath>

#include "plant/circuit_system.h"
#include "plant/transition_memory.h"

namespace dawnrig::plant {

/// Of the heat sink, from what the state says of it: held there, or followed, or that of the surroundings.
[[nodiscard]] double stage_degc(const StageParams& stage, const Conditions& conditions, double followed_degc);

[[nodiscard]] inline double sun_wpm2(const Conditions::Sun& sun, Nanos now) {
  return std::max(0.0, sun.poa_wpm2 + sun.slope_wpm2_per_s * in_seconds(now - sun.since));
}

/// Until when, `to` at the latest, the sun keeps the slope it has just after `now`: a ramp bends where it meets
/// darkness.
[[nodiscard]] Nanos sun_straight_until(const Conditions::Sun& sun, Nanos now, Nanos to, double& slope_wpm2_per_s);

/// Whether all pins are so far from where their protection takes hold that a conversion does not pull them there.
[[nodiscard]] bool pins_are_free(const CircuitSystem& system, const CircuitSystem::Vector& y, double supply_v);

/// Whether the gate has changed since the last advance.
[[nodiscard]] inline bool after_edge(const CircuitState& state, const Conditions& conditions) {
  return state.gate == (conditions.gate_on ? GateSeen::kOff : GateSeen::kOn);
}

/// The net charge of each step, dealt out to its two gross accounts.
struct GrossCharge {
  double charge_ah{0.0};
  double discharge_ah{0.0};

  /// Within a step that turns the current around, the current is the parabola of its ends and its mean.
  void add(double net_ah, double from_a, double to_a, double step_s) {
    if ((from_a < 0.0) == (to_a < 0.0)) {
      add_to_one(net_ah);
    } else {
      add_turning(net_ah, from_a, to_a, step_s);
    }
  }

 private:
  void add_to_one(double net_ah) { (net_ah > 0.0 ? charge_ah : discharge_ah) += std::abs(net_ah); }
  void add_turning(double net_ah, double from_a, double to_a, double step_s);
};

/// The unknowns at state.now, books at zero: they count from the start of an advance, so that small amounts are not
/// lost against large ones.
[[nodiscard]] CircuitSystem::Vector gather(const CircuitState& state, const Conditions& conditions,
                                           const CircuitSystem& system);
/// Those at y, of which `since` are older.
[[nodiscard]] Books books_at(const CircuitSystem::Vector& y, const Books& since, const GrossCharge& gross);
void scatter(const CircuitSystem::Vector& y, const CircuitSystem& system, const Books& since, const GrossCharge& gross,
             CircuitState& state);

/// What the system, as it was last evaluated at y, shows of itself; currents not-a-number where it could not be
/// evaluated, which only a state that is not a number can do.
[[nodiscard]] Probes seen(const CircuitState& state, const Conditions& conditions, const CircuitSystem::Vector& y,
                          const CircuitSystem& system, bool evaluated);
/// The same of a remembered instant, which is y, with system.battery_a() there.
[[nodiscard]] Probes seen(const CircuitState& state, const Conditions& conditions, const CircuitSystem::Vector& y,
                          const CircuitSystem& system, const Transition::Sample& sample, double battery_a);
/// The part of it that the sample tells, but for the pins.
void show(const Transition::Sample& sample, const CircuitSystem& system, double battery_a, Probes& p);

}  // namespace dawnrig::plant
