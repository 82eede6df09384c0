#include "plant/stage/diode.h"

#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kBoltzmannEvPerK = 8.617333262e-5;
constexpr double kReferenceK = 298.15;
constexpr double kThermalVoltageAt25 = kBoltzmannEvPerK * kReferenceK;

// No diode of a power stage leaks more than this when it is that hot; one that did would be a resistor.
constexpr double kHotDegc = 125.0;
constexpr double kMostLeakageA = 10.0;

double thermal_v(const DiodeParams& d, double junction_degc) {
  return d.follows_temperature ? kBoltzmannEvPerK * (junction_degc + 273.15) : kThermalVoltageAt25;
}

double saturation_a(const DiodeParams& d, double junction_degc) {
  if (!d.follows_temperature) return d.saturation_current_a;
  const double ratio = (junction_degc + 273.15) / kReferenceK;
  const double n = d.emission_coefficient;
  return d.saturation_current_a * std::exp(d.saturation_exponent / n * std::log(ratio) +
                                           (ratio - 1.0) * d.energy_gap_ev / (n * thermal_v(d, junction_degc)));
}

}  // namespace

void DiodeParams::check(Problems& problems, const std::string& prefix) const {
  check_range(problems, prefix + ".saturation_current_a", saturation_current_a, {1e-18, 0.01});
  check_range(problems, prefix + ".emission_coefficient", emission_coefficient, {0.5, 4.0});
  check_range(problems, prefix + ".series_resistance_ohm", series_resistance_ohm, {0.0, 10.0});
  check_range(problems, prefix + ".energy_gap_ev", energy_gap_ev, {0.1, 3.0});
  check_range(problems, prefix + ".saturation_exponent", saturation_exponent, {0.0, 10.0});
  if (!follows_temperature || !(emission_coefficient >= 0.5)) return;
  const double hot_a = plant::saturation_a(*this, kHotDegc);
  if (!(hot_a <= kMostLeakageA)) {
    check_range(problems, prefix + ".saturation_current_a", saturation_current_a,
                {1e-18, kMostLeakageA / hot_a * saturation_current_a});
  }
}

DiodeBranch::DiodeBranch(const DiodeParams& checked, double more_ohm, double junction_degc)
    : ideality_v_{checked.emission_coefficient * thermal_v(checked, junction_degc)},
      saturation_a_{plant::saturation_a(checked, junction_degc)},
      ohm_{checked.series_resistance_ohm + more_ohm},
      log_b_over_a_{std::log(ohm_ * saturation_a_ / ideality_v_)} {}

}  // namespace dawnrig::plant
