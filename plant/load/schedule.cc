#include "plant/load/schedule.h"

#include <algorithm>
#include <string>

#include "plant/core/range_check.h"

namespace dawnrig::plant {

void check_kind(Problems& problems, const PulsedParams& p) {
  check_range(problems, "pulsed.transmit_a", p.transmit_a, {0.0, 1000.0});
  check_range(problems, "pulsed.receive_a", p.receive_a, {0.0, 1000.0});
  check_range(problems, "pulsed.dropout_v", p.dropout_v, {0.01, 100.0});
  check_range(problems, "pulsed.period_s", in_seconds(p.period), {1e-3, 86400.0});
  check_range(problems, "pulsed.transmit_s", in_seconds(p.transmit), {1e-4, 86400.0});
  if (!(p.transmit < p.period)) problems.add("pulsed.transmit_s", "must be below period_s");
}

void check_kind(Problems& problems, const SeriesParams& p) {
  check_range(problems, "series.dropout_v", p.dropout_v, {0.01, 100.0});
  if (!p.series || p.series->points.empty()) {
    problems.add("series.file", "has no rows");
    return;
  }
  const auto& points = p.series->points;
  for (std::size_t i = 0; i < points.size(); ++i) {
    check_range(problems, "series.file", points[i].current_a, {0.0, 1000.0});
    const bool backwards = i > 0 && points[i].at < points[i - 1].at;
    const bool thrice = i > 1 && points[i].at == points[i - 2].at;
    if (points[i].at.count() < 0 || backwards || thrice) {
      problems.add("series.file", "has times that do not rise, at point " + std::to_string(i));
    }
  }
  if (p.series->repeats && points.back().at.count() < 1'000'000) {
    problems.add("series.repeats", "needs a series of at least a millisecond");
  }
}

SchedulePiece piece_at(const PulsedParams& params, Nanos now) {
  const std::int64_t time_ns = std::max<std::int64_t>(0, now.count());
  const std::int64_t begun_ns = time_ns / params.period.count() * params.period.count();
  const std::int64_t quiet_ns = begun_ns + params.transmit.count();
  if (time_ns < quiet_ns) return {params.transmit_a, 0.0, Nanos{quiet_ns}};
  return {params.receive_a, 0.0, Nanos{begun_ns + params.period.count()}};
}

SchedulePiece piece_at(const SeriesParams& params, Nanos now) {
  const auto& points = params.series->points;
  const Nanos time{std::max<std::int64_t>(0, now.count())};
  const Nanos last = points.back().at;
  const Nanos begun{params.series->repeats ? time.count() / last.count() * last.count() : 0};
  const Nanos local = time - begun;
  const auto later = std::upper_bound(points.begin(), points.end(), local,
                                      [](Nanos t, const LoadSeries::Point& point) { return t < point.at; });
  if (later == points.end()) return {points.back().current_a, 0.0, SchedulePiece::kForever};
  if (later == points.begin()) return {points.front().current_a, 0.0, begun + points.front().at};
  const LoadSeries::Point& from = *(later - 1);
  const double slope_a_per_s = (later->current_a - from.current_a) / in_seconds(later->at - from.at);
  return {from.current_a + slope_a_per_s * in_seconds(local - from.at), slope_a_per_s, begun + later->at};
}

}  // namespace dawnrig::plant
