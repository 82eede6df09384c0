#include "plant/wiring/wiring.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {

void FuseParams::check(Problems& problems) const {
  check_range(problems, "carries_a", carries_a, {0.01, 1000.0});
  check_range(problems, "melting_a2s", melting_a2s, {1e-3, 1e9});
  check_range(problems, "cold_ohm", cold_ohm, {0.0, 10.0});
}

bool warm_fuse(const FuseParams& fuse, double mean_square_a2, double h_s, FuseState& state) {
  if (state.blown) return false;
  const double rate_per_s = fuse.carries_a * fuse.carries_a / fuse.melting_a2s;
  const double settled_a2s = mean_square_a2 / rate_per_s;
  state.heat_a2s = settled_a2s + (state.heat_a2s - settled_a2s) * std::exp(-rate_per_s * h_s);
  state.blown = state.heat_a2s >= fuse.melting_a2s;
  return state.blown;
}

double cable_factor(double per_k, double degc) {
  return std::max(0.1, 1.0 + per_k * (degc - kCableTableDegc));
}

double mean_square_a2(double from_a, double mean_a, double to_a) {
  // i = from + slope t + curve t^2
  const double slope_a = 6.0 * mean_a - 4.0 * from_a - 2.0 * to_a;
  const double curve_a = to_a - from_a - slope_a;
  return from_a * (from_a + slope_a + curve_a * (2.0 / 3.0)) + slope_a * (slope_a / 3.0 + 0.5 * curve_a) +
         0.2 * curve_a * curve_a;
}

}  // namespace dawnrig::plant
