// Ticks at absolute times by a clock that is handed in. Room: harness/rig. May use plant/core, harness/link.
#pragma once

#include <cstdint>

#include "harness/link/session.h"
#include "harness/rig/realtime_lateness.h"

namespace dawnrig::rig {

/// Where a loop stands: tick k is due at start + k * period, whatever became of those before.
class TickPlan {
 public:
  TickPlan(Nanos start, Nanos period) : start_{start}, period_{period} {}
  [[nodiscard]] Nanos due() const { return start_ + period_ * next_; }

  /// Of a tick that begins at `now`: notes how late it is, and moves on. Ticks that should have begun meanwhile are
  /// skipped, each noted with its own lateness. The time at which the tick that now begins was due.
  Nanos begin(Nanos now, Lateness& lateness) noexcept {
    Nanos late = now - due();
    lateness.add(late.count() > 0 ? late : Nanos{0});
    while (late >= period_) {
      ++next_;
      ++skipped_;
      late -= period_;
      lateness.add(late);
    }
    return start_ + period_ * next_++;
  }
  [[nodiscard]] std::int64_t skipped() const { return skipped_; }

 private:
  Nanos start_, period_;
  std::int64_t next_{0}, skipped_{0};
};

/// Calls `tick(due)` at each due time until it returns false. Itself allocates nothing, logs nothing, throws nothing.
template <class Tick>
void run_ticks(link::Clock& clock, TickPlan& plan, Lateness& lateness, Tick&& tick) noexcept {
  bool going = true;
  while (going) {
    clock.sleep_until(plan.due());
    going = tick(plan.begin(clock.now(), lateness));
  }
}

}  // namespace dawnrig::rig
