// What the sweeps of this room share.
// Room: harness/characteristic, private to it.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"

namespace dawnrig::characteristic {

/// Of one branch: more would fill the memory before it is of use.
inline constexpr int kMostRows = 1'000'000;

/// Refuses what is not within the limits, in the option's own words.
inline void demand(std::string_view option, double value, double lowest, double highest) {
  if (value >= lowest && value <= highest) return;
  throw base::BadInput("--" + std::string{option}, "is " + base::number_text(value) + ", must be " +
                                                       base::number_text(lowest) + " to " + base::number_text(highest));
}

inline void demand(std::string_view option, const std::vector<double>& values, double lowest, double highest) {
  if (values.empty())
    throw base::BadInput("--" + std::string{option}, "needs a figure, or several with commas between");
  for (const double v : values) demand(option, v, lowest, highest);
}

}  // namespace dawnrig::characteristic
