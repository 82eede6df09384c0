// The processor's cycles and the run's time, both counted from power-up: exact, however long the run.
// Room: harness/rig. May use harness/device.
#pragma once

#include <cstdint>

#include "harness/device/virtual_device.h"
#include "plant/core/time.h"

namespace dawnrig::rig {

inline constexpr std::int64_t kNanosPerSecond = 1'000'000'000;

/// When a cycle begins, rounded down.
[[nodiscard]] inline Nanos time_at(device::Cycle cycle, std::int64_t clock_hz) {
  return Nanos{cycle / clock_hz * kNanosPerSecond + cycle % clock_hz * kNanosPerSecond / clock_hz};
}

/// The first cycle that begins at `time` or later.
[[nodiscard]] inline device::Cycle cycle_at(Nanos time, std::int64_t clock_hz) {
  const std::int64_t whole = time.count() / kNanosPerSecond;
  const std::int64_t rest = time.count() % kNanosPerSecond;
  return whole * clock_hz + (rest * clock_hz + kNanosPerSecond - 1) / kNanosPerSecond;
}

}  // namespace dawnrig::rig
