// Which rig a run is made on, as a person chooses it, and the ladder of energy that a real bench has to be taken up.
// Room: harness/testing. May use harness/rig and what lies below; CLI11 in the .cc file.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "harness/base/energy_level.h"
#include "harness/rig/bench_loop.h"
#include "harness/rig/virtual_rig.h"

namespace CLI {
class App;
}

namespace dawnrig::testing {

enum class RigKind : std::uint8_t {
  kVirtual,  ///< the image in an instruction simulator, wired to the plant itself
  kTwin,     ///< the same behind a simulated interface board with its own firmware, in step
  kBench,    ///< a real device behind a real interface board, in wall time
};

struct RigChoice {
  RigKind kind{RigKind::kVirtual};
  std::filesystem::path interface_board;   ///< firmware of the twin's interface board
  std::string port;                        ///< of the bench
  std::optional<base::EnergyLevel> level;  ///< of the bench; named by the user
  std::optional<double> lead_s;            ///< absent: as the round trip asks for
  std::optional<double> most_late_s;       ///< absent: see rig::BenchSettings
  double latency_s{0.0005};                ///< of the twin's line, each way
  rig::Feedback feedback{rig::Feedback::kTwoLevels};
  rig::Injection injection{rig::Injection::kBeforeFilter};
  std::filesystem::path flight_file;  ///< where a bench writes its last seconds if a run becomes invalid
};

/// Adds --rig, --interface-board, --port, --level, --lead-s, --latency-s and --most-late-s.
void add_rig_options(CLI::App& app, RigChoice& choice);
/// The same as arguments, for a process that is started.
[[nodiscard]] std::vector<std::string> as_arguments(const RigChoice& choice);

[[nodiscard]] std::string text_of(RigKind kind);
/// In words: what kind of evidence a run on this rig is.
[[nodiscard]] std::string evidence_of(const RigChoice& choice);

/// Where something says up to which rung it may be run.
struct Rung {
  std::string file;
  base::EnergyLevel highest{base::EnergyLevel::kSenseOnly};
};
/// Throws base::BadInput if a bench is asked for without its level or port, or at a higher level than one of `rungs`
/// allows.
void climb(const RigChoice& choice, const std::vector<Rung>& rungs);
/// What to mind before starting at a level; several lines.
[[nodiscard]] std::string cautions(base::EnergyLevel level);

/// Powers the device up at time zero. Throws base::BadInput as the rigs do. `flight_file` replaces the choice's.
[[nodiscard]] std::unique_ptr<rig::Rig> make_rig(const RigChoice& choice, const rig::VirtualRigSetup& setup,
                                                 const std::filesystem::path& flight_file = {});

}  // namespace dawnrig::testing
