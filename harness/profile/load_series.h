// A measured load current out of a table that people export from their loggers.
// Room: harness/profile, private to it. May use plant and harness/base.
#pragma once

#include <filesystem>
#include <memory>
#include <optional>

#include "plant/load/schedule.h"

namespace dawnrig::profile {

/// Comma-separated, first line `time_s,current_a`, then one row per point; empty lines and lines that begin with # do
/// not count. Times rise from zero or later; one time twice is a step. A gap, which is more than `longest_gap_s`, or
/// ten times the usual distance of two rows if that is not given, is complained about: a logger that was off is not a
/// load that stayed the same. Throws base::BadInput with the complaints in file order, each with line and column, at
/// most a dozen of them.
[[nodiscard]] std::shared_ptr<plant::LoadSeries> read_load_series(const std::filesystem::path& file,
                                                                  std::optional<double> longest_gap_s);

}  // namespace dawnrig::profile
