// The wall's clock, for loops that must keep time with a real board. Room: harness/rig. POSIX calls in the .cc file;
// the only place of this room where a wall clock is read.
#pragma once

#include "harness/link/session.h"

namespace dawnrig::rig {

/// Monotonic time since some fixed instant. Sleeps to absolute times, so that waking late once does not make every
/// later tick late.
class WallClock final : public link::Clock {
 public:
  [[nodiscard]] Nanos now() const override;
  void sleep_until(Nanos time) override;
};

}  // namespace dawnrig::rig
