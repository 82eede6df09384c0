// How a timer's counter walks, as arithmetic: from any tick to any later one without stepping through those between.
// Room: harness/device. Uses nothing else; knows nothing of the simulator.
#pragma once

#include <cstdint>

namespace dawnrig::device {

/// A counter that runs 0..top and starts again (single slope) or 0..top..0 (dual slope). A tick is one prescaled clock.
///
/// The place in the period is a phase: single slope counts 0..top; dual slope counts 0..top on the way up and
/// top..2*top-1 on the way down. A counter that stands above top (top was lowered under it) is on a lead-in: it walks
/// straight until the pattern takes it in again.
class CounterPattern {
 public:
  /// Zero at tick 0, single slope, top = max = 255.
  CounterPattern() = default;

  /// From `tick` on: the counter holds `value` there. `max` is where the register itself wraps (255 or 65535).
  void restart(std::int64_t tick, std::int64_t value, bool counting_down, bool dual_slope, std::int64_t top,
               std::int64_t max);

  [[nodiscard]] std::int64_t value_at(std::int64_t tick) const;
  [[nodiscard]] bool counting_down_at(std::int64_t tick) const;
  [[nodiscard]] std::int64_t top() const { return top_; }
  [[nodiscard]] bool dual_slope() const { return dual_slope_; }
  [[nodiscard]] std::int64_t period_ticks() const;

  /// Phase at a tick on the pattern (see on_pattern()).
  [[nodiscard]] std::int64_t phase_at(std::int64_t tick) const;
  [[nodiscard]] bool on_pattern(std::int64_t tick) const { return tick >= entry_tick_; }
  /// First tick after `tick` at which the pattern arrives at `phase` (taken modulo the period).
  [[nodiscard]] std::int64_t next_at_phase(std::int64_t phase, std::int64_t tick) const;

  /// The tick at which a lead-in wraps at `max` back to zero; -1 if there is no such lead-in.
  [[nodiscard]] std::int64_t lead_wrap_tick() const { return lead_up_ ? entry_tick_ : -1; }
  /// The tick at which a lead-in leaves `value`, if later than `tick`; -1 if it does not pass there.
  [[nodiscard]] std::int64_t lead_leaves(std::int64_t value, std::int64_t tick) const;

 private:
  bool dual_slope_{false};
  bool lead_up_{false};
  bool lead_down_{false};
  std::int64_t top_{255};
  std::int64_t start_tick_{0};
  std::int64_t start_value_{0};
  std::int64_t entry_tick_{0};   ///< the pattern holds from here on...
  std::int64_t entry_phase_{0};  ///< ...starting at this phase
};

}  // namespace dawnrig::device
