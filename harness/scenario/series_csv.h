// Irradiance series as comma-separated text. Room: harness/scenario, private to it. May use plant and harness/base.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "plant/sky/sky.h"

namespace dawnrig::scenario {

struct SeriesFile {
  plant::SeriesSky series;
  std::string sha256;              ///< of the bytes as they are on the disk
  std::vector<std::string> notes;  ///< what was mended: gaps bridged, values below zero
};

/// Reads a file whose first line names its columns: `time` ("2026-06-21T05:00:00Z") or `time_s`, `poa_wpm2`, and
/// `ambient_degc` if it is known. Times rise and count from the first row. Lines that begin with # are skipped.
///
/// A gap is a step of more than one and a half times the usual one, or a row without a value; it is bridged by a
/// straight line, and noted. A gap longer than `longest_gap` is a fault. A pyranometer's offset at night (down to -20
/// W/m2) counts as zero, and is noted. Throws base::BadInput with every other fault, each with its line and column.
[[nodiscard]] SeriesFile read_series(const std::filesystem::path& file, Nanos longest_gap);

}  // namespace dawnrig::scenario
