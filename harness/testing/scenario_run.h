// One scenario file on the virtual rig: recorded, checked, told.
// Room: harness/testing. May use harness/rig, harness/verdict and what lies below.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "harness/rig/rig.h"
#include "harness/testing/rig_choice.h"
#include "harness/verdict/monitor.h"
#include "plant/core/time.h"

namespace dawnrig::testing {

struct ScenarioRunOptions {
  std::filesystem::path scenario, firmware, board, site;
  std::optional<std::filesystem::path> requirements;  ///< needed when the scenario holds checks
  std::filesystem::path trace;                        ///< empty: hashed, not kept
  std::optional<std::uint64_t> seed;                  ///< overrides the scenario's
  verdict::BatteryLimitsGiven count_beyond;  ///< of the battery's counters; absent: the board's and the trade's
  bool skip_idle{true};                      ///< see device::DeviceParams; changes nothing but the time it takes
  RigChoice rig;
  /// Called about ten times a second of wall time with the simulated time; may be empty.
  std::function<void(Nanos now, Nanos end)> on_progress;
};

struct ScenarioRunOutcome {
  std::vector<verdict::Finding> findings;
  std::vector<std::string> rig_notes;  ///< how the run went, by the rig
  std::vector<std::string> notes;      ///< what was mended in the scenario's series
  std::string content_sha256;
  std::string invalid_because;
  std::string device_crash;
  Nanos end{0};
  std::int64_t resets{0};
  double panel_wh{0};
  verdict::BatteryCounts battery;
  double books_residual_j{0};
};

/// The clock's times and extremes, with the charges of the plant's books.
[[nodiscard]] verdict::BatteryCounts counts_of(const verdict::BatteryClock& clock, const rig::Rig& rig);

/// Throws base::BadInput for anything wrong with the files, before time starts; base::RunFault when the trace cannot be
/// written further (what was written stays readable).
[[nodiscard]] ScenarioRunOutcome run_scenario(const ScenarioRunOptions& options);

}  // namespace dawnrig::testing
