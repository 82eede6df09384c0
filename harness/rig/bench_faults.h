// Why a bench run cannot be trusted, in words, with what to do; and what is refused before it is tried.
// Room: harness/rig.
// harness/rig.
#pragma once

#include <string>
#include <vector>

#include "harness/rig/bench_loop.h"

namespace dawnrig::rig {

/// Empty: no fault.
[[nodiscard]] std::string text_of(const BenchFault& fault, const BenchSettings& settings, const BenchPlant& plant);

/// Lateness, link and the board's levels, a sentence each.
[[nodiscard]] std::vector<std::string> how_it_went(const Lateness& lateness, const link::LinkCounts& counts,
                                                   double drift_s_per_s, const link::DurationStats& overdue);

/// Throws base::BadInput for a change that no bench can bring about.
void demand_possible(const profile::BoardProfile& board, const scenario::Change& change);

}  // namespace dawnrig::rig
