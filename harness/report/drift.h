// Two result sets of the same suite held against one another: what moved between an accepted build and today's.
// Room: harness/report. May use harness/verdict, harness/base and what lies below.
#pragma once

#include <cstdio>
#include <filesystem>
#include <string>
#include <vector>

#include "harness/report/results.h"

namespace dawnrig::report {

struct DriftOptions {
  std::filesystem::path accepted{}, today{};  ///< folders that `dawnrig judge` wrote
  std::vector<std::filesystem::path>
      repeats{};            ///< the accepted build again, with other seeds: how well figures repeat
  double share_frac{0.25};  ///< a margin may shrink by so much of itself
};

/// One figure that moved.
struct Moved {
  std::string device, id, sentence, confidence;
  Judged before, after;
  double by{0};             ///< after less before, in the limit's unit
  double in_tolerances{0};  ///< the same, without sign
  double repeatability{0};  ///< in the limit's unit: what a repetition may move
  bool shrank{false};       ///< the margin, by more than the chosen share; or the verdict is worse
};

struct Drift {
  std::vector<Moved> moved;  ///< farthest first, in tolerances to a tenth; of equals the better founded limit first
  std::size_t compared{0};   ///< figures that both sets hold
  std::vector<std::string> only_accepted, only_today;  ///< "revision A: SETPOINT-FLOAT [Stages.GoesFrom...]"
  [[nodiscard]] bool shrank() const;                   ///< some margin did, or a figure is missing today
};

/// A figure counts as moved beyond its repeatability: the farthest that it moved among `repeats` or, without them, a
/// tenth of its tolerance. Devices are matched by board, revision and site. Throws base::BadInput for folders without
/// results, and for sets that have no device in common.
[[nodiscard]] Drift drift_of(const DriftOptions& options);

void print_drift(const Drift& drift, std::FILE* out);
/// One self-contained page: a picture of all shifts, the table, and of each figure the pictures of both runs.
void write_drift_page(const Drift& drift, const std::filesystem::path& page);

}  // namespace dawnrig::report
