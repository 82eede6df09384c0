// Plant: heat sink and fuses, which are followed step by step beside the equations. May use plant only; for
// circuit*.cc.
#pragma once

#include "plant/circuit_system.h"

namespace dawnrig::plant {

/// Temperature of the stage's heat sink and heat of the fuses. They are slow against the circuit and act on it by their
/// state at the beginning of an advance only (temperature), or when the caller starts another (a blown fuse), so that
/// the equations need not know them:
///
///     Cth T' = stage loss - (T - ambient)/Rth,      fuses by plant/wiring/wiring.h
///
/// Each is solved in closed form over a step, with the step's mean loss and mean square of current.
class SlowParts {
 public:
  using Vector = CircuitSystem::Vector;

  SlowParts(const CircuitParams& params, const Conditions& conditions)
      : params_{params},
        conditions_{conditions},
        fuses_{params.battery_fuse || params.panel_fuse},
        any_{fuses_ || params.stage.heat_sink} {}

  [[nodiscard]] bool any() const { return any_; }
  [[nodiscard]] bool fuses() const { return fuses_; }
  /// Beyond which a step would hide what they do, in a stretch of this length.
  [[nodiscard]] double longest_step_s(double stretch_s, double otherwise_s) const;
  /// One step of h_s from one vector to the next, under the system that took it. True: a fuse has blown.
  bool follow(CircuitSystem& system, const Vector& from, const Vector& to, double h_s, CircuitState& state) const;

 private:
  const CircuitParams& params_;
  const Conditions& conditions_;
  bool fuses_;
  bool any_;
};

}  // namespace dawnrig::plant
