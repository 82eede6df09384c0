#include "harness/rig/realtime_clock.h"

#include <time.h>

#include <cerrno>

namespace dawnrig::rig {

namespace {
constexpr std::int64_t kNanosPerSecond = 1'000'000'000;
}

Nanos WallClock::now() const {
  timespec t{};
  ::clock_gettime(CLOCK_MONOTONIC, &t);
  return Nanos{static_cast<std::int64_t>(t.tv_sec) * kNanosPerSecond + t.tv_nsec};
}

void WallClock::sleep_until(Nanos time) {
  timespec t{};
  t.tv_sec = static_cast<time_t>(time.count() / kNanosPerSecond);
  t.tv_nsec = static_cast<long>(time.count() % kNanosPerSecond);
  while (::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, nullptr) == EINTR) {
  }
}

}  // namespace dawnrig::rig
