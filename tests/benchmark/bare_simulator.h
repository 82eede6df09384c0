// The packaged simulator as it comes, in the run loop that its own examples show: what our speeds are held against.
// Room: tests/benchmark.
#pragma once

#include <cstdint>

#include "harness/device/image.h"

namespace dawnrig::benchmark {

enum class Sleep : std::uint8_t { kAtOnce, kInWallTime };  ///< the second is what the simulator does as packaged

/// Runs the image for so many cycles, nothing connected to any pin. Returns the cycles it got to.
std::int64_t run_bare(const char* part, const device::Image& image, std::int64_t clock_hz, std::int64_t cycles,
                      Sleep sleep = Sleep::kAtOnce);

}  // namespace dawnrig::benchmark
