// Where a timer's ticks come from: the prescalers, which run freely and are shared, the watch crystal, or a pin.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>

#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

/// A prescaler: counts from `origin` whenever it is not held.
struct Prescaler {
  Cycle origin{0};
  bool held{false};
  Cycle held_at{0};

  void hold(Cycle at) {
    if (!held) {
      held = true;
      held_at = at;
    }
  }
  void go_on(Cycle at) {
    if (held) {
      held = false;
      origin += at - held_at;
    }
  }
  void restart(Cycle at) {
    origin = at;
    held_at = at;
  }
  [[nodiscard]] Cycle clamp(Cycle at) const { return held && at > held_at ? held_at : at; }
};

struct TimerClocks {
  Prescaler io;      ///< timers 0, 1, 3, 4, 5
  Prescaler second;  ///< timer 2
};

/// How one timer divides: tick k begins at the first cycle not before origin + k * cycles / per_ticks.
struct TimerClock {
  enum class Source : std::uint8_t { kStopped, kPrescaler, kPin };
  Source source{Source::kStopped};
  Prescaler* prescaler{nullptr};
  std::int64_t cycles{1};
  std::int64_t per_ticks{1};
  bool rising{false};        ///< kPin
  bool asynchronous{false};  ///< runs from the watch crystal, through every sleep mode but power-down

  [[nodiscard]] std::int64_t tick_at(Cycle at) const {
    return floor_div((prescaler->clamp(at) - prescaler->origin) * per_ticks, cycles);
  }
  [[nodiscard]] Cycle begin_of(std::int64_t tick) const {
    return prescaler->origin - floor_div(-tick * cycles, per_ticks);
  }
};

}  // namespace dawnrig::device
