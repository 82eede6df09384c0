// Plant, core: complaints about numbers out of range. May use problems.h.
#pragma once

#include <limits>
#include <string>

#include "plant/core/problems.h"

namespace dawnrig::plant {

/// Bounds of one field. Infinite means none; not-a-number and infinite values are always refused.
struct Range {
  double at_least{-std::numeric_limits<double>::infinity()};
  double at_most{std::numeric_limits<double>::infinity()};
  bool above_low{false};  ///< the lower bound itself is refused too
};

/// Adds a complaint to problems unless value lies in range.
void check_range(Problems& problems, const std::string& field, double value, const Range& range);

/// Adds every complaint of `inner` to problems, its fields prefixed with "prefix.".
void add_under(Problems& problems, const std::string& prefix, const Problems& inner);

}  // namespace dawnrig::plant
