// Time is an integer everywhere: nanoseconds since the run began, derived from zero, never accumulated.
#pragma once

#include <chrono>
#include <cstdint>

namespace dawnrig {

using Nanos = std::chrono::nanoseconds;

/// Seconds as a real number, for arithmetic on durations and for people; never for keeping time.
[[nodiscard]] constexpr double in_seconds(Nanos t) {
  return static_cast<double>(t.count()) * 1e-9;
}

/// The nearest nanosecond to a time in seconds.
[[nodiscard]] constexpr Nanos from_seconds(double t_s) {
  return Nanos{static_cast<std::int64_t>(t_s * 1e9 + (t_s < 0 ? -0.5 : 0.5))};
}

}  // namespace dawnrig
