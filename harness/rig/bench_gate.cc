#include "harness/rig/bench_gate.h"

#include <algorithm>

namespace dawnrig::rig {

namespace {

constexpr std::int64_t kNanosPerTick = 500;

Nanos in_time(std::uint32_t ticks) {
  return Nanos{static_cast<std::int64_t>(ticks) * kNanosPerTick};
}

/// The time of a stamp that is not later than `at`, whose own stamp is `at_ticks`.
Nanos before(Nanos at, std::uint32_t at_ticks, std::uint32_t stamp) {
  return at - in_time(at_ticks - stamp);
}

}  // namespace

std::optional<GateEdge> GatePattern::next_after(Nanos time) const {
  if (!switches()) {
    return std::nullopt;
  }
  // When it last rose, or would have.
  const Nanos rise = on_ ? last_edge_ : last_edge_ - on_pulse_;
  const std::int64_t cycles = std::max<std::int64_t>(0, (time - rise).count() / period_.count());
  const Nanos cycle = rise + period_ * cycles;
  const Nanos soonest = known_until_ + Nanos{kNanosPerTick};  // what should have happened by now did not: it is due
  GateEdge edge{cycle + period_, true};
  if (cycle + on_pulse_ > time && on_pulse_ < period_) {
    edge = {cycle + on_pulse_, false};
  }
  if (edge.time < soonest && time < soonest) {
    edge.time = soonest;
  }
  return edge;
}

GatePattern GatePattern::seen_from(Nanos zero, bool upside_down) const {
  GatePattern seen = *this;
  seen.known_until_ -= zero;
  seen.last_edge_ -= zero;
  if (upside_down) {
    seen.on_ = !on_;
    seen.on_pulse_ = period_ - on_pulse_;
  }
  return seen;
}

std::span<const GateEdge> GateTrack::take(const link::GateReport& report, Nanos at) {
  const std::uint32_t at_ticks = static_cast<std::uint32_t>(at.count() / kNanosPerTick);
  const Nanos last_edge = before(at, at_ticks, report.last_edge_ticks);
  glitches_ = report.glitches;
  lost_edges_ = report.lost_edges;
  std::size_t count = 0;
  if (known_) {
    count = (report.edges - known_->edges) & 0xFFFFU;
    if (((count & 1U) != 0) != (report.on != known_->on)) {
      ++count;  // an edge was not served; the levels say that it was there
    }
    count = std::min(count, kMostEdges - (report.on != known_->on ? 1U : 0U));
    if (count > 0) {
      spread(count, known_->at, std::clamp(last_edge, known_->at, at), in_time(report.on_ticks - known_->on_ticks), at,
             report.on);
    }
  }
  known_ = {report.edges, report.on_ticks, at, report.on};
  if (report.longest_period_ticks > 0) {
    period_ = in_time(report.longest_period_ticks / 2 + report.shortest_period_ticks / 2);
    on_pulse_ = std::min(in_time(report.on_pulse_ticks), period_);
  }
  // A gate that has been quiet for longer than one and a half of its cycles has stopped switching.
  const bool switching = !report.is_static && period_.count() > 0 && at - last_edge < period_ * 3 / 2;
  pattern_ = switching ? GatePattern{at, report.on, last_edge, period_, on_pulse_} : GatePattern{at, report.on};
  return {edges_.data(), count};
}

// Walks back from the last edge. The phases at the level that the interval does not end with lie wholly between edges,
// but for a first one that may have begun earlier; likewise the others, but for the last.
void GateTrack::spread(std::size_t count, Nanos from, Nanos last_edge, Nanos on, Nanos to, bool level) {
  const Nanos at_level = level ? on : (to - from) - on;
  const Nanos at_other = (to - from) - at_level;
  const auto pairs = static_cast<std::int64_t>(count / 2);
  Nanos other_phase{0};
  Nanos level_phase{0};
  const Nanos period = period_.count() > 0 ? period_ : (last_edge - from) / std::max<std::int64_t>(1, pairs);
  if (count % 2 == 0) {
    other_phase = at_other / std::max<std::int64_t>(1, pairs);
    level_phase = period - other_phase;
  } else {
    level_phase = pairs == 0 ? Nanos{0} : (at_level - (to - last_edge)) / pairs;
    other_phase = period - level_phase;
  }
  level_phase = std::max(level_phase, Nanos{0});
  other_phase = std::max(other_phase, Nanos{0});
  Nanos time = last_edge;
  bool after = level;
  for (std::size_t i = count; i-- > 0;) {
    edges_[i] = {std::max(time, from), after};
    time -= after == level ? other_phase : level_phase;
    after = !after;
  }
}

}  // namespace dawnrig::rig
