// Judging devices: runs a suite for each of them, test by test on all cores, and gathers what was found.
// Room: harness/testing. May use harness/rig, harness/verdict and what lies below.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "harness/testing/rig_choice.h"

namespace dawnrig::testing {

/// One device to be judged: an image on a board in a site.
struct Entrant {
  std::filesystem::path firmware, board, site;
};

struct JudgingOptions {
  std::vector<Entrant> entrants;
  std::filesystem::path requirements;
  std::filesystem::path out;    ///< folder for results, traces, logs; made if missing
  std::filesystem::path suite;  ///< the suite's executable
  std::string filter{"*"};      ///< which tests, with * and ?
  std::uint64_t seed{1};
  RigChoice rig;
  bool skip_idle{true};  ///< see device::DeviceParams; changes nothing but the time it takes
  int jobs{1};
  bool progress{false};  ///< a line that rewrites itself, for terminals
};

struct JudgingOutcome {
  std::vector<std::filesystem::path> result_files;  ///< one per device and test, in a fixed order
  std::vector<std::string> died;  ///< tests whose process ended without a result; named in the report as INVALID
  double simulated_s{0};
  double wall_s{0};
};

/// Throws base::BadInput, before any test runs, for anything wrong with the inputs, a filter that selects no test, or
/// an output folder that cannot be written. Every test runs in a process of its own: one that dies takes no other with
/// it.
[[nodiscard]] JudgingOutcome judge_devices(const JudgingOptions& options);

}  // namespace dawnrig::testing
