#include "plant/core/range_check.h"

#include <array>
#include <cmath>
#include <cstdio>

namespace dawnrig::plant {
namespace {

std::string number(double value) {
  std::array<char, 32> text{};
  const int n = std::snprintf(text.data(), text.size(), "%.6g", value);
  return {text.data(), static_cast<std::size_t>(n)};
}

}  // namespace

void check_range(Problems& problems, const std::string& field, double value, const Range& range) {
  if (!std::isfinite(value)) {
    problems.add(field, "is " + number(value) + ", must be a finite number");
    return;
  }
  const bool too_low = range.above_low ? !(value > range.at_least) : !(value >= range.at_least);
  if (too_low) {
    problems.add(field, "is " + number(value) + ", must be " + (range.above_low ? "above " : "at least ") +
                            number(range.at_least));
  } else if (!(value <= range.at_most)) {
    problems.add(field, "is " + number(value) + ", must be at most " + number(range.at_most));
  }
}

void add_under(Problems& problems, const std::string& prefix, const Problems& inner) {
  for (const Problem& p : inner.list()) problems.add(prefix + "." + p.field, p.message);
}

}  // namespace dawnrig::plant
