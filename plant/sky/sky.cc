#include "plant/sky/sky.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

// In a straight line from `before` to `after`, over so long from then on.
double blend(Nanos t, double begins_s, double over_s, double before, double after) {
  const double part = (in_seconds(t) - begins_s) / over_s;
  return before + (after - before) * std::clamp(part, 0.0, 1.0);
}

Nanos corner_after(Nanos t, Nanos next, double begins_s, double over_s) {
  for (const double at_s : {begins_s, begins_s + over_s}) {
    const Nanos at = from_seconds(at_s);
    if (at > t) next = std::min(next, at);
  }
  return next;
}

struct Instant {
  SunPosition sun;
  Irradiance clear;
};

Instant instant_of(const PlaceSky& sky, Nanos since_beginning) {
  Instant i;
  i.sun = sun_position(sky.begins + since_beginning, sky.place, sky.air);
  i.clear = clear_sky(i.sun, sky.place, sky.linke_turbidity);
  return i;
}

}  // namespace

void Fog::check(Problems& problems) const {
  check_range(problems, "optical_depth", optical_depth, {0.0, 100.0});
  check_range(problems, "lifts_at_s", lifts_at_s, {0.0, 3.2e7});
  check_range(problems, "lifts_over_s", lifts_over_s, {0.1, 3.2e7});
}

void Snow::check(Problems& problems) const {
  check_range(problems, "light_frac", light_frac, {0.0, 1.0});
  check_range(problems, "slides_at_s", slides_at_s, {0.0, 3.2e7});
  check_range(problems, "slides_over_s", slides_over_s, {0.1, 3.2e7});
}

void PlaceSky::check(Problems& problems) const {
  const auto part = [&](const char* name, const auto& params) {
    Problems own;
    params.check(own);
    add_under(problems, name, own);
  };
  part("place", place);
  part("plane", plane);
  check_range(problems, "linke_turbidity", linke_turbidity, {1.0, 10.0});
  check_passages(clouds, problems);
  if (broken_clouds) {
    part("broken_clouds", *broken_clouds);
    if (!clouds.empty()) problems.add("broken_clouds", "cannot stand beside single clouds; write one or the other");
  }
  if (fog) part("fog", *fog);
  if (snow) part("snow", *snow);
}

void RampRow::check(Problems& problems) const {
  check_range(problems, "low_wpm2", low_wpm2, {0.0, 2500.0});
  check_range(problems, "high_wpm2", high_wpm2, {low_wpm2, 2500.0, true});
  check_range(problems, "slope_wpm2_per_s", slope_wpm2_per_s, {0.001, 25000.0});
  if (count < 1 || count > 10000) problems.add("count", "is " + std::to_string(count) + ", must be from 1 to 10000");
  check_range(problems, "settle_s", settle_s, {0.0, 86400.0});
  check_range(problems, "dwell_s", dwell_s, {0.0, 86400.0});
}

void RampSky::check(Problems& problems) const {
  if (rows.empty()) problems.add("row", "is missing: a sky of ramps has at least one");
  for (std::size_t i = 0; i < rows.size(); ++i) {
    Problems own;
    rows[i].check(own);
    add_under(problems, "row[" + std::to_string(i) + "]", own);
  }
}

void SeriesSky::check(Problems& problems) const {
  if (points.empty()) problems.add("point", "is missing: a series has at least one");
  for (std::size_t i = 0; i < points.size(); ++i) {
    const std::string name = "point[" + std::to_string(i) + "]";
    if (i == 0 ? points[i].at != Nanos{0} : points[i].at <= points[i - 1].at) {
      problems.add(name + ".at", i == 0 ? "must be 0" : "must lie after the point before it");
    }
    check_range(problems, name + ".poa_wpm2", points[i].poa_wpm2, {0.0, 2500.0});
    if (!std::isnan(points[i].ambient_degc)) {
      check_range(problems, name + ".ambient_degc", points[i].ambient_degc, {-60.0, 80.0});
    }
  }
}

void check(const SkyParams& sky, Problems& problems) {
  std::visit([&](const auto& kind) { kind.check(problems); }, sky);
}

RampSky standard_ramps(RampStandard standard) {
  RampSky sky;
  switch (standard) {
    case RampStandard::kLowToMedium: {
      constexpr double kSlopes[] = {0.5, 1, 2, 3, 5, 7, 10, 14, 20, 30, 50};
      constexpr int kCounts[] = {2, 2, 3, 4, 6, 8, 10, 10, 10, 10, 10};
      for (std::size_t i = 0; i < std::size(kSlopes); ++i)
        sky.rows.push_back({100, 500, kSlopes[i], kCounts[i], 300, 10});
      break;
    }
    case RampStandard::kMediumToHigh:
      for (const double slope : {10, 14, 20, 30, 50, 100}) {
        sky.rows.push_back({300, 1000, slope, 10, 300, 10});
      }
      break;
    case RampStandard::kStartAndStop:
      sky.rows.push_back({2, 100, 0.1, 1, 300, 30});
      break;
  }
  return sky;
}

double clear_poa_wpm2(const PlaceSky& sky, Nanos since_beginning) {
  const Instant i = instant_of(sky, since_beginning);
  return plane_of_array_wpm2(i.clear, i.sun, sky.plane);
}

SkyRun::SkyRun(std::shared_ptr<const SkyParams> checked, std::uint64_t seed) : params_{std::move(checked)} {
  if (const auto* sky = std::get_if<PlaceSky>(params_.get())) {
    if (sky->broken_clouds) {
      clouds_ = CloudCorners{&*sky->broken_clouds, seed};
    } else if (!sky->clouds.empty()) {
      clouds_ = CloudCorners{&sky->clouds};
    }
  }
}

SkyLine SkyRun::next() {
  const SkyLine line = std::visit([&](const auto& sky) { return next_of(sky); }, *params_);
  now_ = line.until;
  return line;
}

double SkyRun::poa_wpm2_at(const PlaceSky& sky, CloudCorners& clouds, Nanos t) const {
  const Instant i = instant_of(sky, t);
  double poa_wpm2 = plane_of_array_wpm2(i.clear, i.sun, sky.plane);
  if (!(poa_wpm2 > 0.0)) return 0.0;
  if (sky.fog) {
    const double fog_frac = blend(t, sky.fog->lifts_at_s, sky.fog->lifts_over_s, 1.0, 0.0);
    if (fog_frac > 0.0) {
      const Irradiance fog = under_fog(i.clear, i.sun, sky.fog->optical_depth);
      poa_wpm2 += fog_frac * (plane_of_array_wpm2(fog, i.sun, sky.plane) - poa_wpm2);
    }
  }
  if (sky.snow) poa_wpm2 *= blend(t, sky.snow->slides_at_s, sky.snow->slides_over_s, sky.snow->light_frac, 1.0);
  return poa_wpm2 * clouds.share_frac_at(t);
}

SkyLine SkyRun::next_of(const PlaceSky& sky) {
  const auto look = [&](Nanos t) {
    CloudCorners ahead = clouds_;
    return poa_wpm2_at(sky, ahead, t);
  };
  SkyLine line;
  line.from_wpm2 = here_wpm2_ ? *here_wpm2_ : look(now_);
  static_cast<void>(clouds_.share_frac_at(now_));
  Nanos end = std::min(now_ + kLongest, clouds_.next_corner());
  if (sky.fog) end = corner_after(now_, end, sky.fog->lifts_at_s, sky.fog->lifts_over_s);
  if (sky.snow) end = corner_after(now_, end, sky.snow->slides_at_s, sky.snow->slides_over_s);
  for (;;) {
    line.to_wpm2 = look(end);
    const Nanos length = end - now_;
    if (length <= kShortest) break;
    const double rise_wpm2 = line.to_wpm2 - line.from_wpm2;
    const auto misses = [&](int quarter) {
      return std::abs(look(now_ + length * quarter / 4) - line.from_wpm2 - rise_wpm2 * 0.25 * quarter) > kToleranceWpm2;
    };
    if (!misses(2) && !misses(1) && !misses(3)) break;
    end = now_ + std::max(length / 2, kShortest);
  }
  line.until = end;
  here_wpm2_ = line.to_wpm2;
  return line;
}

SkyLine SkyRun::next_of(const RampSky& sky) {
  if (row_ >= sky.rows.size()) {
    const double last_wpm2 = sky.rows.back().low_wpm2;
    return {now_ + kLongest, last_wpm2, last_wpm2};
  }
  const RampRow& row = sky.rows[row_];
  const Nanos ramp = from_seconds((row.high_wpm2 - row.low_wpm2) / row.slope_wpm2_per_s);
  const Nanos dwell = from_seconds(row.dwell_s);
  SkyLine line{now_ + from_seconds(row.settle_s), row.low_wpm2, row.low_wpm2};
  if (leg_ >= 0) {
    switch (leg_ % 4) {
      case 0:
        line = {now_ + ramp, row.low_wpm2, row.high_wpm2};
        break;
      case 1:
        line = {now_ + dwell, row.high_wpm2, row.high_wpm2};
        break;
      case 2:
        line = {now_ + ramp, row.high_wpm2, row.low_wpm2};
        break;
      default:
        line = {now_ + dwell, row.low_wpm2, row.low_wpm2};
        break;
    }
  }
  if (++leg_ == 4 * row.count) {
    leg_ = -1;
    ++row_;
  }
  return line;
}

SkyLine SkyRun::next_of(const SeriesSky& sky) {
  const SeriesSky::Point& from = sky.points[point_];
  if (point_ + 1 >= sky.points.size()) return {now_ + kLongest, from.poa_wpm2, from.poa_wpm2, from.ambient_degc};
  const SeriesSky::Point& to = sky.points[++point_];
  return {to.at, from.poa_wpm2, to.poa_wpm2, from.ambient_degc};
}

}  // namespace dawnrig::plant
