// The margin bar of a row.
#include <algorithm>
#include <cmath>

#include "harness/report/html.h"
#include "harness/report/plot.h"
#include "harness/report/text.h"

namespace dawnrig::report {
namespace {

std::string bound_mark(double x) {
  return "<line x1=\"" + px(x) + "\" y1=\"2\" x2=\"" + px(x) + "\" y2=\"14\" stroke=\"#1b2631\" stroke-width=\"1.5\"/>";
}

}  // namespace

std::string margin_bar_svg(const Judged& judged) {
  if (!has_margin(judged) || !std::isfinite(judged.measured)) return "";
  constexpr double kBar = 120;
  constexpr double kOneSided = 10;  // tolerances of allowed range shown beside a single limit
  const double tolerance = judged.limit.tolerance > 0 ? judged.limit.tolerance : 1;
  const auto& [lowest, highest, unit, ignored] = judged.limit;
  const double from = lowest ? *lowest : *highest - kOneSided * tolerance;
  const double to = highest ? *highest : *lowest + kOneSided * tolerance;
  const double room = std::max(0.3 * (to - from), tolerance);
  const auto x = [&](double value) {
    return 5 + (kBar - 10) * std::clamp((value - (from - room)) / (to - from + 2 * room), 0.0, 1.0);
  };
  const double allowed_from = lowest ? x(from) : 0;
  const double allowed_to = highest ? x(to) : kBar;
  std::string svg =
      "<svg class=\"bar\" role=\"img\" aria-label=\"where the measured value lies\" viewBox=\"0 0 120 16\">";
  svg += "<rect x=\"0\" y=\"6\" width=\"120\" height=\"4\" fill=\"#eceff2\"/>";
  svg += "<rect x=\"" + px(allowed_from) + "\" y=\"6\" width=\"" + px(std::max(0.0, allowed_to - allowed_from)) +
         "\" height=\"4\" fill=\"#a9c9bb\"/>";
  if (lowest) svg += bound_mark(x(from));
  if (highest) svg += bound_mark(x(to));
  const double at = x(judged.measured);
  const std::string colour = judged.margin < 0 ? "#b0281a" : "#1d6b52";
  svg += judged.margin < 0 ? "<path d=\"M" + px(at) + " 3 l5 5 l-5 5 l-5 -5 z\" fill=\"" + colour + "\"/>"
                           : "<circle cx=\"" + px(at) + "\" cy=\"8\" r=\"4\" fill=\"" + colour + "\"/>";
  return svg + "</svg>";
}

}  // namespace dawnrig::report
