// Plant, load: currents that follow a clock: a radio that sends in bursts, and a series of a measured load. May use
// plant/core only.
#pragma once

#include <cstdint>
#include <limits>
#include <memory>
#include <vector>

#include "plant/core/problems.h"
#include "plant/core/time.h"

namespace dawnrig::plant {

/// Sends from time zero for `transmit` of every `period`, and listens for the rest of it.
struct PulsedParams {
  double transmit_a{2.0};
  double receive_a{0.2};
  Nanos transmit{200'000'000};
  Nanos period{10'000'000'000};
  double dropout_v{1.0};
};

/// Straight between its points; two points at one instant are a step. Before the first point its current holds, after
/// the last one that of the last, unless it repeats, from its last point on as from time zero.
struct LoadSeries {
  struct Point {
    Nanos at{0};
    double current_a{};
  };
  std::vector<Point> points;
  bool repeats{false};
};
struct SeriesParams {
  std::shared_ptr<const LoadSeries> series;  ///< read once, shared by every copy of the parameters
  double dropout_v{1.0};
};

void check_kind(Problems& problems, const PulsedParams& params);
void check_kind(Problems& problems, const SeriesParams& params);

/// The straight piece of a current that an instant lies in: current_a at that instant, and until when it goes on so.
struct SchedulePiece {
  static constexpr Nanos kForever{std::numeric_limits<std::int64_t>::max()};
  double current_a{};
  double slope_a_per_s{};
  Nanos until{kForever};
};

/// At an edge: the piece that begins there. Times below zero count as zero.
[[nodiscard]] SchedulePiece piece_at(const PulsedParams& params, Nanos now);
[[nodiscard]] SchedulePiece piece_at(const SeriesParams& params, Nanos now);

}  // namespace dawnrig::plant
