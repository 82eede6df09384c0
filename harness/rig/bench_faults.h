// Why a bench run cannot be trusted, in words, with what to do. Room: harness/rig.
#pragma once

#include <string>

#include "harness/rig/bench_loop.h"

namespace dawnrig::rig {

/// Empty: no fault.
[[nodiscard]] std::string text_of(const BenchFault& fault, const BenchSettings& settings, const BenchPlant& plant);

}  // namespace dawnrig::rig
