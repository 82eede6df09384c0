// Counts what a thread allocates, in those executables that have allocations.cc among their sources. It stands apart
// from the tests, or a compiler might see one of them give to free() what new made, and complain.
// Room: tests.
#pragma once

#include <cstdint>

namespace dawnrig {

/// Allocations of the calling thread since the beginning of its life.
[[nodiscard]] std::int64_t allocations_so_far();

}  // namespace dawnrig
