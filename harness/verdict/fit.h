// Figures over several measurements: slopes and spreads.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include <span>

#include "harness/verdict/figure.h"

namespace dawnrig::verdict {

struct Point {
  double x{0}, y{0};
};

/// y = intercept + slope x by least squares. `points` is 0 if no line can be drawn: fewer than two different x.
struct Line {
  double slope{0}, intercept{0};
  double worst_residual{0};  ///< the largest |y - line|, in the unit of y
  std::int64_t points{0};
};
[[nodiscard]] Line line_through(std::span<const Point> points);

/// The slope of the line, in the unit of y per unit of x: temperature compensation from set points measured at several
/// temperatures. Exercised: the number of points, 0 if no line can be drawn.
[[nodiscard]] Figure slope_of(std::span<const Point> points);

/// Highest minus lowest of several figures. Exercised: their number, 0 if there are fewer than two.
[[nodiscard]] Figure spread_of(std::span<const double> values);

}  // namespace dawnrig::verdict
