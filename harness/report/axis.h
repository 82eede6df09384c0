// Round tick marks for the axes of a picture.
// Room: harness/report. May use the standard library and harness/verdict/wording.h.
#pragma once

#include <string>
#include <vector>

namespace dawnrig::report {

struct Ticks {
  std::vector<double> at;
  int decimals{0};  ///< that tell neighbouring ticks apart
};

/// About `wanted` ticks at 1, 2 or 5 times a power of ten within [from, to].
[[nodiscard]] Ticks round_ticks(double from, double to, int wanted);

/// Times in the unit that suits the length of the axis: seconds, minutes or hours.
struct TimeAxis {
  double unit_s{1};
  std::string unit{"s"};
  Ticks ticks;  ///< in `unit`
};
[[nodiscard]] TimeAxis time_axis(double from_s, double to_s, int wanted);

}  // namespace dawnrig::report
