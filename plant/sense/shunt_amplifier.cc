#include "plant/sense/shunt_amplifier.h"

#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kCornerV = 1e-3;

// x where it is above zero, 0 where it is below, a parabola within a corner's width of it.
double above(double x, double& slope) {
  if (x <= -kCornerV || x >= kCornerV) {
    slope = x > 0.0 ? 1.0 : 0.0;
    return x > 0.0 ? x : 0.0;
  }
  slope = 0.5 * (x + kCornerV) / kCornerV;
  return 0.25 * (x + kCornerV) * (x + kCornerV) / kCornerV;
}

}  // namespace

void check_shunt_amplifier(Problems& problems, const ShuntAmplifierParams& p) {
  check_range(problems, "shunt_amplifier.shunt_ohm", p.shunt_ohm, {1e-6, 10.0});
  check_range(problems, "shunt_amplifier.gain_v_per_v", p.gain_v_per_v, {-1e4, 1e4});
  if (std::abs(p.gain_v_per_v) < 0.1) {
    problems.add("shunt_amplifier.gain_v_per_v", "must be at least 0.1, or at most -0.1");
  }
  check_range(problems, "shunt_amplifier.bias_v", p.bias_v, {0.0, 10.0});
  check_range(problems, "shunt_amplifier.offset_v", p.offset_v, {-0.1, 0.1});
  check_range(problems, "shunt_amplifier.lowest_v", p.lowest_v, {0.0, 2.0});
  check_range(problems, "shunt_amplifier.headroom_v", p.headroom_v, {0.0, 3.0});
  check_range(problems, "shunt_amplifier.r_out_ohm", p.r_out_ohm, {1.0, 1e7});
  check_range(problems, "shunt_amplifier.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
}

AmplifierPoint amplifier_at(const ShuntAmplifierParams& p, double current_a, double supply_v) {
  const double wanted_v = p.bias_v + p.gain_v_per_v * (p.shunt_ohm * current_a + p.offset_v);
  const double highest_v = std::fmax(p.lowest_v, supply_v - p.headroom_v);
  double from_low = 0.0;
  const double raised_v = p.lowest_v + above(wanted_v - p.lowest_v, from_low);
  double from_high = 0.0;
  const double output_v = highest_v - above(highest_v - raised_v, from_high);
  return {output_v, p.gain_v_per_v * p.shunt_ohm * from_low * from_high};
}

}  // namespace dawnrig::plant
