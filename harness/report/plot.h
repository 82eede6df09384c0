// The evidence of one finding as a picture.
// Room: harness/report. May use harness/verdict and what lies below.
#pragma once

#include <string>

#include "harness/report/results.h"

namespace dawnrig::report {

/// An inline SVG: envelopes and means of the curves in one panel per unit, limit lines, moments as vertical lines,
/// switch signals as strips below, and marks on the first offending and the worst sample. "" without curves.
[[nodiscard]] std::string plot_svg(const Judged& judged);

/// A small bar: the allowed range, and where the measured value lies. "" where there is no margin.
[[nodiscard]] std::string margin_bar_svg(const Judged& judged);

}  // namespace dawnrig::report
