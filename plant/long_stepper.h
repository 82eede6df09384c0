// Plant: the integrator for stretches of any length: step-size control around core/rodas3.h. May use plant only; for
// circuit*.cc and tests.
#pragma once

#include "plant/circuit_system.h"
#include "plant/core/rodas3.h"

namespace dawnrig::plant {

/// Order 3 with an embedded order 2, L-stable: takes nanoseconds after an edge and minutes in a quiet night. Order and
/// step halving on whole circuits are checked in tests/plant/stepper_order_test.cc.
class LongStepper {
 public:
  using Vector = CircuitSystem::Vector;

  /// `inverse_tolerance` per unknown, zero for those not judged.
  LongStepper(CircuitSystem& system, const Vector& inverse_tolerance, double hint_s, double longest_s);

  /// Takes one step from y of at most `left`; moves y, returns the length. Zero: failed, see status().
  Nanos step(Vector& y, Nanos left);
  /// Evaluates the system at y, where the next step will begin, which then need not. False: it cannot be evaluated.
  [[nodiscard]] bool look(const Vector& y) { return looked_ = method_.begin(system_, y); }
  /// Nothing is owed from one advance to the next.
  void look_later(const Vector& /*y*/) {}
  /// The next step begins at y: nothing of an earlier one is used.
  void go_on_from(const Vector& /*y*/) { looked_ = false; }
  /// y, or what the system makes of it, is another than at the last look().
  void forget() { looked_ = false; }
  /// The length to try next.
  void propose(double h_s) { proposed_s_ = h_s; }
  [[nodiscard]] AdvanceStatus status() const { return status_; }
  [[nodiscard]] double proposed_s() const { return proposed_s_; }

 private:
  Nanos choose(Nanos left);
  [[nodiscard]] double worst_bend() const;
  [[nodiscard]] double worst_error() const;
  [[nodiscard]] bool finite(const Vector& y) const;

  CircuitSystem& system_;
  const Vector inverse_tolerance_;
  const double longest_s_;
  Rodas3<CircuitSystem> method_;
  Vector next_{}, error_{};
  double proposed_s_;
  bool cut_{false};
  bool looked_{false};
  AdvanceStatus status_{AdvanceStatus::kOk};
};

}  // namespace dawnrig::plant
