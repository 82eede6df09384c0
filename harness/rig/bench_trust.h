// Whether the bench can be believed, found out before each run: who the interface board is, when it was calibrated, and
// what its self-test says. Room: harness/rig. May use harness/link, harness/base.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/link/session.h"

namespace dawnrig::rig {

struct TrustBounds {
  std::optional<std::uint32_t> today;     ///< days since 1970-01-01; without it no calibration is too old
  std::uint32_t most_age_days{365};       ///< of a calibration
  double most_readback_lsb{2.0};          ///< between what an output should carry and what the board reads back
  std::uint32_t most_settled_ns{10'000};  ///< from an edge of the gate until the output stands
  std::uint32_t most_pattern_ticks{2};    ///< half microseconds, of duty and period of the test pattern
  Nanos most_round_trip{20'000'000};      ///< host to board and back
};

/// One thing that was looked at.
struct TrustLine {
  std::string what;
  std::string found;
  std::string bound;
  bool fine{true};
  std::string remedy;  ///< what to do if it is not
};

struct Trust {
  std::vector<TrustLine> lines;
  std::optional<link::Identity> identity;
  std::optional<link::Calibration> calibration;
  /// Why no run on this bench can be believed, first of all reasons, with what to do; empty: it can.
  [[nodiscard]] std::string broken() const;
};

/// Asks the board for all of it. The device is let go and the outputs are open while the self-test runs, about a
/// second; afterwards the board is in its safe state. Says so in a line if the board does not answer.
[[nodiscard]] Trust examine(link::Session& session, link::Clock& clock, const TrustBounds& bounds);

/// "2026-03-21", of days since 1970-01-01.
[[nodiscard]] std::string date_text(std::uint32_t days);
/// "1.2.3", of 10203.
[[nodiscard]] std::string version_text(std::uint32_t version);

}  // namespace dawnrig::rig
