// What the signals are between two samples: straight lines, but for the switches, which hold.
// Room: harness/trace. May use plant/core.
#pragma once

#include <algorithm>

#include "harness/trace/signal.h"

namespace dawnrig::trace {

/// kHolds[i]: signal i keeps its value until the next sample.
inline constexpr std::array<bool, kSignalCount> kHolds = [] {
  std::array<bool, kSignalCount> holds{};
  holds[static_cast<std::size_t>(Signal::kGate)] = true;
  holds[static_cast<std::size_t>(Signal::kLoadSwitch)] = true;
  holds[static_cast<std::size_t>(Signal::kFault)] = true;
  return holds;
}();

/// Which those are.
inline constexpr std::array<std::size_t, std::count(kHolds.begin(), kHolds.end(), true)> kHeld = [] {
  std::array<std::size_t, std::count(kHolds.begin(), kHolds.end(), true)> held{};
  std::size_t next = 0;
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    if (kHolds[i]) held[next++] = i;
  }
  return held;
}();

/// The signals at `time`, from `a.time` to below `b.time`; at `b.time` itself, just before what happens there.
[[nodiscard]] inline Sample between(const Sample& a, const Sample& b, Nanos time) {
  Sample result{time, a.value};
  if (b.time <= a.time) return result;
  const double fraction = static_cast<double>((time - a.time).count()) / static_cast<double>((b.time - a.time).count());
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    if (kHolds[i]) continue;
    // The far end exactly, not to within a rounding: a boundary on a sample must see that sample.
    result.value[i] = time >= b.time ? b.value[i] : a.value[i] + (b.value[i] - a.value[i]) * fraction;
  }
  return result;
}

}  // namespace dawnrig::trace
