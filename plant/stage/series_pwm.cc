#include "plant/stage/series_pwm.h"

#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kThermalVoltageAt25 = 8.617333262e-5 * 298.15;

}  // namespace

void SeriesPwmParams::check(Problems& problems) const {
  check_range(problems, "input_capacitance_f", input_capacitance_f, {1e-8, 0.1});
  check_range(problems, "output_capacitance_f", output_capacitance_f, {1e-7, 0.1});
  check_range(problems, "switch_on_resistance_ohm", switch_on_resistance_ohm, {1e-4, 10.0});
  check_range(problems, "blocking_diode.saturation_current_a", blocking_diode.saturation_current_a, {0.0, 0.01, true});
  check_range(problems, "blocking_diode.emission_coefficient", blocking_diode.emission_coefficient, {0.5, 4.0});
  check_range(problems, "blocking_diode.series_resistance_ohm", blocking_diode.series_resistance_ohm, {0.0, 10.0});
  check_range(problems, "quiescent_a", quiescent_a, {0.0, 1.0});
  check_range(problems, "max_bus_v", max_bus_v, {0.0, 200.0, true});
}

BlockingBranch::BlockingBranch(const SeriesPwmParams& checked)
    : saturation_a_{checked.blocking_diode.saturation_current_a},
      ideality_v_{checked.blocking_diode.emission_coefficient * kThermalVoltageAt25},
      ohm_{checked.blocking_diode.series_resistance_ohm + checked.switch_on_resistance_ohm},
      log_b_over_a_{std::log(ohm_ * saturation_a_ / ideality_v_)} {}

BranchPoint BlockingBranch::at(double across_v, WrightOmega& omega) const {
  const double w = omega((across_v + ohm_ * saturation_a_) / ideality_v_ + log_b_over_a_);
  return {ideality_v_ * w / ohm_ - saturation_a_, w / ((1.0 + w) * ohm_)};
}

}  // namespace dawnrig::plant
