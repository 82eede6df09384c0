#include "plant/battery/ocv_curve.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

// At an end, from the two differences next to it; no further than keeps the cubic from turning.
double end_slope(double near_h, double far_h, double near_slope, double far_slope) {
  const double slope = ((2.0 * near_h + far_h) * near_slope - near_h * far_slope) / (near_h + far_h);
  return std::clamp(slope, 0.0, 3.0 * near_slope);
}

}  // namespace

void check_ocv(Problems& problems, const std::string& field, const std::vector<OcvPoint>& points, double lowest_v,
               double highest_v) {
  if (points.size() < 2 || points.size() > kMostOcvPoints) {
    problems.add(field, "has " + std::to_string(points.size()) + (points.size() == 1 ? " point" : " points") +
                            ", must have 2 to " + std::to_string(kMostOcvPoints));
    return;
  }
  const auto of = [&](std::size_t i) { return field + "[" + std::to_string(i) + "]"; };
  for (std::size_t i = 0; i < points.size(); ++i) {
    check_range(problems, of(i) + ".soc_frac", points[i].soc_frac, {0.0, 1.0});
    check_range(problems, of(i) + ".cell_v", points[i].cell_v, {lowest_v, highest_v});
    if (i == 0) continue;
    if (!(points[i].soc_frac - points[i - 1].soc_frac >= 1e-4)) {
      problems.add(of(i) + ".soc_frac", "must be above the one before it, by 0.0001 at least");
    }
    if (!(points[i].cell_v > points[i - 1].cell_v)) {
      problems.add(of(i) + ".cell_v", "must be above the one before it");
    }
  }
  if (points.front().soc_frac != 0.0) problems.add(of(0) + ".soc_frac", "must be 0, as the first of all");
  if (points.back().soc_frac != 1.0) problems.add(of(points.size() - 1) + ".soc_frac", "must be 1, as the last of all");
}

OcvCurve::OcvCurve(const std::vector<OcvPoint>& checked) : straight_{checked.size() == 2} {
  const std::size_t n = checked.size();
  from_v_ = checked.front().cell_v;
  last_v_ = checked.back().cell_v;
  slope_v_per_soc_ = last_v_ - from_v_;
  if (straight_) return;
  std::vector<double> width(n - 1);
  std::vector<double> rise(n - 1);
  for (std::size_t i = 0; i + 1 < n; ++i) {
    width[i] = checked[i + 1].soc_frac - checked[i].soc_frac;
    rise[i] = (checked[i + 1].cell_v - checked[i].cell_v) / width[i];
  }
  std::vector<double> slope(n);
  slope.front() = end_slope(width[0], width[1], rise[0], rise[1]);
  slope.back() = end_slope(width[n - 2], width[n - 3], rise[n - 2], rise[n - 3]);
  for (std::size_t i = 1; i + 1 < n; ++i) {
    const double before = 2.0 * width[i] + width[i - 1];
    const double after = width[i] + 2.0 * width[i - 1];
    slope[i] = (before + after) / (before / rise[i - 1] + after / rise[i]);
  }
  pieces_.reserve(n - 1);
  for (std::size_t i = 0; i + 1 < n; ++i) {
    const double h = width[i];
    pieces_.push_back({checked[i].soc_frac, checked[i].cell_v, slope[i],
                       (3.0 * rise[i] - 2.0 * slope[i] - slope[i + 1]) / h,
                       (slope[i] + slope[i + 1] - 2.0 * rise[i]) / (h * h)});
  }
  last_slope_v_per_soc_ = slope.back();
  for (std::size_t d = 0; d < kDoors; ++d) {
    std::size_t i = 0;
    while (i + 1 < pieces_.size() && pieces_[i + 1].from_soc_frac <= static_cast<double>(d) / kDoors) ++i;
    door_[d] = static_cast<std::uint8_t>(i);
  }
}

OcvCurve::Value OcvCurve::bent(double soc_frac) const {
  if (!(soc_frac > 0.0)) return {from_v_ + pieces_.front().d_soc * soc_frac, pieces_.front().d_soc};
  if (!(soc_frac < 1.0)) return {last_v_ + last_slope_v_per_soc_ * (soc_frac - 1.0), last_slope_v_per_soc_};
  std::size_t i = door_[static_cast<std::size_t>(soc_frac * kDoors)];
  while (i + 1 < pieces_.size() && pieces_[i + 1].from_soc_frac <= soc_frac) ++i;
  const Piece& p = pieces_[i];
  const double d = soc_frac - p.from_soc_frac;
  return {p.from_v + d * (p.d_soc + d * (p.half_d_soc2 + d * p.sixth_d_soc3)),
          p.d_soc + d * (2.0 * p.half_d_soc2 + d * 3.0 * p.sixth_d_soc3)};
}

}  // namespace dawnrig::plant
