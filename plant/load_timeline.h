// Plant: what loads do of themselves while a circuit advances. May use plant only; for circuit*.cc.
#pragma once

#include <algorithm>
#include <cstdint>

#include "plant/circuit_system.h"

namespace dawnrig::plant {

/// Currents that follow a clock, and supplies that lock out and come back. Steps of the integrator end at every corner
/// of a schedule, so that no step averages over one; and where a supply changes, to the nanosecond.
class LoadTimeline {
 public:
  using Vector = CircuitSystem::Vector;

  LoadTimeline(const CircuitParams& params, const Conditions& conditions);

  [[nodiscard]] bool has_schedules() const { return has_schedules_; }
  [[nodiscard]] bool has_lockouts() const { return has_lockouts_; }

  /// Puts the currents of `now` into y, as they are on one side of an edge there.
  void put(Nanos now, ScheduleSide side, Vector& y) const;
  /// The same on the far side, with the slopes that hold from there; returns until when they hold.
  [[nodiscard]] Nanos follow(Nanos now, Vector& y, CircuitSystem& system) const;
  /// Whether a current jumps at `now`.
  [[nodiscard]] bool jumps_at(Nanos now) const;

  /// Below zero: a supply is due to change.
  [[nodiscard]] double margin_v(const Vector& y, CircuitSystem& system) const;
  /// Changes every supply that is due; returns whether one was.
  [[nodiscard]] bool change_due(Vector& y, CircuitSystem& system) const;

  /// After a step of length `took` from `before` to y, beyond a supply's threshold: goes back to the nanosecond at
  /// which it is crossed. Changes y; returns the length that was really taken.
  template <class Stepper>
  [[nodiscard]] Nanos back_to_threshold(Stepper& stepper, CircuitSystem& system, const Vector& before, Vector& y,
                                        Nanos took) const;

 private:
  [[nodiscard]] double voltage_v(std::size_t load, const Vector& y, const CircuitSystem& system) const;

  const CircuitParams& params_;
  const Conditions& conditions_;
  bool has_schedules_{false};
  bool has_lockouts_{false};
  bool behind_switch_{false};  // a supply with a lock-out is
};

template <class Stepper>
Nanos LoadTimeline::back_to_threshold(Stepper& stepper, CircuitSystem& system, const Vector& before, Vector& y,
                                      Nanos took) const {
  constexpr int kMostTrials = 60;
  constexpr double kCloseV = 1e-7;
  Nanos low{0};
  Nanos high = took;
  double low_v = margin_v(before, system);
  double high_v = margin_v(y, system);
  for (int i = 0; i < kMostTrials && (high - low).count() > 1 && high_v < -kCloseV; ++i) {
    // By turns along the chord and in the middle: neither a bend nor a kink can hold it up.
    const double part_frac = i % 2 == 0 && low_v > 0.0 ? low_v / (low_v - high_v) : 0.5;
    const double inside_ns = part_frac * static_cast<double>((high - low).count());
    const Nanos wanted = low + Nanos{std::min(std::max<std::int64_t>(1, static_cast<std::int64_t>(inside_ns)),
                                              (high - low).count() - 1)};
    Vector trial = before;
    Nanos reached{0};
    while (reached < wanted) {
      const Nanos step = stepper.step(trial, wanted - reached);
      if (step.count() == 0) return high;
      reached += step;
    }
    const double margin = margin_v(trial, system);
    if (margin < 0.0) {
      high = reached;
      high_v = margin;
      y = trial;
    } else {
      low = reached;
      low_v = margin;
    }
  }
  return high;
}

}  // namespace dawnrig::plant
