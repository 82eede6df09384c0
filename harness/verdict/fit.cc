#include "harness/verdict/fit.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::verdict {

Line line_through(std::span<const Point> points) {
  if (points.size() < 2) return {};
  const auto count = static_cast<double>(points.size());
  double x_mean = 0;
  double y_mean = 0;
  for (const Point& p : points) {
    x_mean += p.x / count;
    y_mean += p.y / count;
  }
  double xx = 0;
  double xy = 0;
  for (const Point& p : points) {
    xx += (p.x - x_mean) * (p.x - x_mean);
    xy += (p.x - x_mean) * (p.y - y_mean);
  }
  const bool one_x = std::all_of(points.begin(), points.end(), [&](const Point& p) { return p.x == points[0].x; });
  if (one_x) return {};
  Line line;
  line.slope = xy / xx;
  line.intercept = y_mean - line.slope * x_mean;
  line.points = static_cast<std::int64_t>(points.size());
  for (const Point& p : points) {
    line.worst_residual = std::max(line.worst_residual, std::abs(p.y - (line.intercept + line.slope * p.x)));
  }
  return line;
}

Figure slope_of(std::span<const Point> points) {
  const Line line = line_through(points);
  Figure figure;
  figure.value = line.slope;
  figure.exercised = line.points;
  return figure;
}

Figure spread_of(std::span<const double> values) {
  Figure figure;
  if (values.size() < 2) return figure;
  const auto [lowest, highest] = std::minmax_element(values.begin(), values.end());
  figure.value = *highest - *lowest;
  // minmax_element passes over values that are not numbers; the figure must not.
  for (const double value : values) figure.value += value - value;
  figure.exercised = static_cast<std::int64_t>(values.size());
  return figure;
}

}  // namespace dawnrig::verdict
