// Plant: how an advance of the circuit is watched, and how it ends. Touches nothing.
#pragma once

#include <cstdint>

namespace dawnrig::plant {

struct CircuitState;
struct Conditions;
struct Probes;

/// Called at each accepted step of the solution, at the end of the step. Values between two calls run straight.
class StepObserver {
 public:
  virtual ~StepObserver() = default;
  /// `probes` are what Circuit::probe() would tell of it on the near side of any edge, without being worked out again.
  virtual void on_step(const CircuitState& state, const Conditions& conditions, const Probes& probes) = 0;
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
