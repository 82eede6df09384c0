// Plant: looks after the protection board of the battery, step by step beside the equations. May use plant only; for
// circuit*.cc.
#pragma once

#include <algorithm>

#include "plant/circuit_system.h"

namespace dawnrig::plant {

/// The board acts on the circuit as the connector does: what is opened or closed here is another circuit from there.
class BoardWatch {
 public:
  using Vector = CircuitSystem::Vector;

  BoardWatch(const CircuitSystem& system, CircuitState& state)
      : system_{system},
        state_{state},
        board_{system.parts().battery.protection() ? &*system.parts().battery.protection() : nullptr} {}

  [[nodiscard]] bool any() const { return board_ != nullptr; }
  /// What is seen at state.now. True: the board has opened or closed.
  bool acts(const Vector& y) { return board_->observe(state_.protection, state_.now, view(y)); }
  /// When a delay runs out, or `until`.
  [[nodiscard]] Nanos until(Nanos until) const { return std::min(until, board_->due(state_.protection, state_.now)); }
  /// A step from `from` to y again, if something happened in it that the board notes: shorter, until it ends within a
  /// millisecond after that.
  template <class Method>
  Nanos shorter_step(Method& stepper, const Vector& from, Vector& y, Nanos took) const {
    while (took > kFoundWithin && board_->would_note(state_.protection, state_.now + took, view(y))) {
      y = from;
      stepper.forget();
      took = stepper.step(y, took / 2);
    }
    return took;
  }

 private:
  static constexpr Nanos kFoundWithin{1'000'000};

  [[nodiscard]] ProtectionView view(const Vector& y) const {
    const double battery_a = system_.battery_a(y);
    const double cells_v = system_.terminal_v(y, battery_a);
    return {cells_v / system_.parts().battery.cells(), battery_a, y[Slot::kBatteryDegc], y[Slot::kBus] - cells_v};
  }

  const CircuitSystem& system_;
  CircuitState& state_;
  const Protection* board_;
};

}  // namespace dawnrig::plant
