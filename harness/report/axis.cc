#include "harness/report/axis.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::report {

Ticks round_ticks(double from, double to, int wanted) {
  Ticks ticks;
  const double span = to - from;
  if (!(span > 0) || !std::isfinite(span)) {
    ticks.at.push_back(from);
    ticks.decimals = 3;
    return ticks;
  }
  const int exponent = static_cast<int>(std::floor(std::log10(span / wanted)));
  const double decade = std::pow(10.0, exponent);
  double step = 10 * decade;
  for (const double factor : {1.0, 2.0, 5.0}) {
    if (span / (factor * decade) <= wanted + 0.5) {
      step = factor * decade;
      break;
    }
  }
  // A ten-thousandth of a step of play, lest the ends be lost to rounding.
  const auto first = static_cast<long long>(std::ceil(from / step - 1e-4));
  const auto last = static_cast<long long>(std::floor(to / step + 1e-4));
  for (long long n = first; n <= last && ticks.at.size() < 40; ++n) ticks.at.push_back(static_cast<double>(n) * step);
  ticks.decimals = std::clamp(-static_cast<int>(std::floor(std::log10(step) + 1e-9)), 0, 9);
  return ticks;
}

TimeAxis time_axis(double from_s, double to_s, int wanted) {
  constexpr double kMinute = 60;
  constexpr double kHour = 3600;
  TimeAxis axis;
  if (to_s - from_s > 6 * kHour) {
    axis.unit_s = kHour;
    axis.unit = "h";
  } else if (to_s - from_s > 20 * kMinute) {
    axis.unit_s = kMinute;
    axis.unit = "min";
  }
  axis.ticks = round_ticks(from_s / axis.unit_s, to_s / axis.unit_s, wanted);
  return axis;
}

}  // namespace dawnrig::report
