// Counts what this thread allocates while a guard lives. Room: tests/rig.
#pragma once

#include <cstdint>

namespace dawnrig::rig {

/// Allocations of the calling thread since the beginning of its life.
[[nodiscard]] std::int64_t allocations_so_far();

}  // namespace dawnrig::rig
