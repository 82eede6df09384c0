// Plant: how an advance of the circuit is watched, and how it ends. Touches nothing.
#pragma once

#include <cstddef>
#include <cstdint>

#include "plant/core/time.h"

namespace dawnrig::plant {

struct CircuitState;
struct Conditions;
struct Probes;

/// Several steps that are known as a whole. Figure by figure of the probes it tells the least, the greatest and the
/// mean over time, with straight lines between its steps; both ends are of it. Where a figure is not a number, so is
/// its mean.
class Stretch {
 public:
  virtual ~Stretch() = default;
  [[nodiscard]] virtual Nanos from() const = 0;
  [[nodiscard]] virtual const Probes& lowest() const = 0;
  [[nodiscard]] virtual const Probes& highest() const = 0;
  [[nodiscard]] virtual const Probes& mean() const = 0;
  /// Its steps, of which the last ends where the stretch does.
  [[nodiscard]] virtual std::size_t steps() const = 0;
  [[nodiscard]] virtual Nanos end_of(std::size_t step) const = 0;
  /// Worked out when asked for.
  [[nodiscard]] virtual Probes at_end_of(std::size_t step) const = 0;
  static constexpr std::size_t kMostSteps = 32;
};

/// Called at each accepted step of the solution, at the end of the step. Values between two calls run straight.
class StepObserver {
 public:
  virtual ~StepObserver() = default;
  /// `probes` are what Circuit::probe() would tell of it on the near side of any edge, without being worked out again.
  virtual void on_step(const CircuitState& state, const Conditions& conditions, const Probes& probes) = 0;
  /// Whether stretches are told by on_stretch() rather than step by step.
  [[nodiscard]] virtual bool takes_stretches() const { return false; }
  /// In place of on_step() for all of its steps; state and probes are those of its end.
  virtual void on_stretch(const CircuitState& state, const Conditions& conditions, const Probes& probes,
                          const Stretch& stretch) {
    static_cast<void>(state);
    static_cast<void>(conditions);
    static_cast<void>(probes);
    static_cast<void>(stretch);
  }
  /// A load has just jumped of itself (a burst begins, a supply locks out): the same instant, on the far side.
  virtual void on_jump(const CircuitState& state, const Conditions& conditions) {
    static_cast<void>(state);
    static_cast<void>(conditions);
  }
};

enum class AdvanceStatus : std::uint8_t {
  kOk,
  kNotConverged,  ///< the algebraic part of a step did not converge at the smallest step; state is the last good one
  kNotANumber,    ///< the solution left the real numbers; state is the last good one
};

}  // namespace dawnrig::plant
