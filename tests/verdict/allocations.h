// How often this process has called operator new.
// Room: tests/verdict.
#pragma once

#include <cstddef>

namespace dawnrig::verdict {

[[nodiscard]] std::size_t allocations();

}  // namespace dawnrig::verdict
