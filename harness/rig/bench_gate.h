// The gate as the interface board captured it: edges out of the totals that its reports carry, and where the pattern
// goes from there. Room: harness/rig. May use plant/core, harness/link.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

#include "harness/link/message.h"
#include "plant/core/time.h"

namespace dawnrig::rig {

struct GateEdge {
  Nanos time{0};  ///< board time
  bool on{false};
};

/// What the gate is expected to do after the last report: go on as in its last cycle. A gate without edges, or whose
/// last one is long past, is expected to stay as it is.
class GatePattern {
 public:
  GatePattern() = default;
  GatePattern(Nanos known_until, bool on) : known_until_{known_until}, on_{on} {}
  /// `last_edge` is the one that led to the present level.
  GatePattern(Nanos known_until, bool on, Nanos last_edge, Nanos period, Nanos on_pulse)
      : known_until_{known_until}, last_edge_{last_edge}, period_{period}, on_pulse_{on_pulse}, on_{on} {}

  [[nodiscard]] Nanos known_until() const { return known_until_; }
  [[nodiscard]] bool on() const { return on_; }
  [[nodiscard]] bool switches() const { return period_.count() > 0; }
  [[nodiscard]] double duty_frac() const {
    return switches() ? static_cast<double>(on_pulse_.count()) / static_cast<double>(period_.count())
                      : (on_ ? 1.0 : 0.0);
  }
  /// The same with times counted from `zero`, and, of a switch that does not charge by conducting, upside down.
  [[nodiscard]] GatePattern seen_from(Nanos zero, bool upside_down) const;
  /// The first edge after `time`, from which the gate is at `on` after it; nullopt: none is expected.
  [[nodiscard]] std::optional<GateEdge> next_after(Nanos time) const;

 private:
  Nanos known_until_{0}, last_edge_{0}, period_{0}, on_pulse_{0};
  bool on_{false};
};

/// Follows one gate from report to report. Nothing is lost with a lost report, since reports carry totals. Up to two
/// edges per report are exact to the board's half microsecond; so are more if the gate switches with an even period, as
/// the last complete cycle had it. Never allocates.
class GateTrack {
 public:
  static constexpr std::size_t kMostEdges = 256;  ///< per report: beyond that only the share of time is kept

  /// `at`: unwrapped board time of the report. Edges since the report before, in order; empty for the first report.
  [[nodiscard]] std::span<const GateEdge> take(const link::GateReport& report, Nanos at);
  [[nodiscard]] const GatePattern& pattern() const { return pattern_; }
  [[nodiscard]] std::uint32_t glitches() const { return glitches_; }
  [[nodiscard]] std::uint32_t lost_edges() const { return lost_edges_; }

 private:
  void spread(std::size_t count, Nanos from, Nanos last_edge, Nanos on, Nanos to, bool level);

  struct Known {
    std::uint32_t edges{0}, on_ticks{0};
    Nanos at{0};
    bool on{false};
  };
  std::optional<Known> known_;
  std::array<GateEdge, kMostEdges> edges_;
  Nanos period_{0}, on_pulse_{0};  // of the last complete cycle
  GatePattern pattern_;
  std::uint32_t glitches_{0}, lost_edges_{0};
};

}  // namespace dawnrig::rig
