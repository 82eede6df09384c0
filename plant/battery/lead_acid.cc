#include "plant/battery/lead_acid.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kGassingCellV = 2.23;
constexpr double kGassingDegc = 25.0;
constexpr double kFadeSoc = 1e-4;         // the last 0.05 % of charge is five of these
constexpr double kFullyOpen = 36.0;       // exp(-36) is below rounding of 1
constexpr double kGassingCeiling = 60.0;  // exponent; keeps a senseless state finite

// 1 - exp(-distance/kFadeSoc): how much of the current still moves the state of charge towards a bound.
double fade(double distance, AnchoredExp& scratch, double& slope) {
  const double z = std::max(distance, 0.0) / kFadeSoc;
  if (z > kFullyOpen) {
    slope = 0.0;
    return 1.0;
  }
  const double e = scratch(-z);
  slope = e / kFadeSoc;
  return 1.0 - e;
}

}  // namespace

void LeadAcidParams::check(Problems& problems) const {
  check_range(problems, "cells", cells, {1.0, 48.0});
  if (std::isfinite(cells) && cells != std::floor(cells)) problems.add("cells", "must be a whole number");
  check_range(problems, "capacity_ah", capacity_ah, {0.1, 1e5});
  check_range(problems, "cell_ocv_empty_v", cell_ocv_empty_v, {1.5, 2.2});
  check_range(problems, "cell_ocv_full_v", cell_ocv_full_v, {1.9, 2.4});
  if (!(cell_ocv_full_v > cell_ocv_empty_v)) problems.add("cell_ocv_full_v", "must be above cell_ocv_empty_v");
  check_range(problems, "ocv_tempco_v_per_k", ocv_tempco_v_per_k, {-0.01, 0.01});
  check_range(problems, "r_series_ohm", r_series_ohm, {1e-5, 10.0});
  check_range(problems, "r_fast_ohm", r_fast_ohm, {1e-6, 10.0});
  check_range(problems, "tau_fast_s", tau_fast_s, {0.001, 60.0});
  check_range(problems, "r_slow_ohm", r_slow_ohm, {1e-6, 10.0});
  check_range(problems, "tau_slow_s", tau_slow_s, {1.0, 1e5});
  check_range(problems, "gassing_a_per_100ah", gassing_a_per_100ah, {0.0, 10.0});
  check_range(problems, "gassing_per_v", gassing_per_v, {0.0, 30.0});
  check_range(problems, "gassing_per_k", gassing_per_k, {0.0, 0.3});
  check_range(problems, "r_acceptance_ohm", r_acceptance_ohm, {0.0, 100.0});
  check_range(problems, "acceptance_per_soc", acceptance_per_soc, {0.0, 100.0});
  check_range(problems, "heat_capacity_j_per_k", heat_capacity_j_per_k, {0.0, 1e8, true});
  check_range(problems, "thermal_resistance_k_per_w", thermal_resistance_k_per_w, {0.0, 1000.0, true});
}

LeadAcid::LeadAcid(const LeadAcidParams& checked)
    : p_{checked},
      ocv_per_soc_v_{checked.cells * (checked.cell_ocv_full_v - checked.cell_ocv_empty_v)},
      gassing_reference_a_{checked.capacity_ah / 100.0 * checked.gassing_a_per_100ah},
      soc_per_coulomb_{1.0 / (3600.0 * checked.capacity_ah)},
      smoothing_a2_{checked.capacity_ah * 1e-4 * checked.capacity_ah * 1e-4} {}

double LeadAcid::gassing_a(double inner_v, double battery_degc) const {
  const double z =
      p_.gassing_per_v * (inner_v / p_.cells - kGassingCellV) + p_.gassing_per_k * (battery_degc - kGassingDegc);
  return gassing_reference_a_ * std::exp(std::min(z, kGassingCeiling));
}

LeadAcidPoint LeadAcid::at(const BatteryState& x, double charge_a, double r_series_ohm,
                           LeadAcidScratch& scratch) const {
  LeadAcidPoint q;
  q.inner_v = inner_v(x);
  const double z =
      p_.gassing_per_v * (q.inner_v / p_.cells - kGassingCellV) + p_.gassing_per_k * (x.battery_degc - kGassingDegc);
  q.gassing_a = gassing_reference_a_ * scratch.gassing(z > kGassingCeiling ? kGassingCeiling : z);
  q.gassing_d_inner = q.gassing_a * p_.gassing_per_v / p_.cells;
  q.gassing_d_degc = q.gassing_a * p_.gassing_per_k;

  const double main_a = charge_a - q.gassing_a;
  const double square = main_a * main_a;
  const double inverse = 1.0 / (square + smoothing_a2_);
  const double plus_a = main_a > 0.0 ? main_a * square * inverse : 0.0;
  const double plus_slope = main_a > 0.0 ? square * (square + 3.0 * smoothing_a2_) * inverse * inverse : 0.0;
  const double acceptance_ohm = p_.r_acceptance_ohm * scratch.acceptance(-p_.acceptance_per_soc * (1.0 - x.soc_frac));
  const double per_tau_fast = 1.0 / p_.tau_fast_s;
  q.fast_per_s = (p_.r_fast_ohm * main_a + acceptance_ohm * plus_a - x.v_fast_v) * per_tau_fast;
  q.fast_d_main = (p_.r_fast_ohm + acceptance_ohm * plus_slope) * per_tau_fast;
  q.fast_d_soc = p_.acceptance_per_soc * acceptance_ohm * plus_a * per_tau_fast;
  q.slow_per_s = (p_.r_slow_ohm * main_a - x.v_slow_v) / p_.tau_slow_s;

  double slope = 0.0;
  const double open =
      main_a > 0.0 ? fade(1.0 - x.soc_frac, scratch.nearly_full, slope) : fade(x.soc_frac, scratch.nearly_empty, slope);
  q.soc_per_s = main_a * open * soc_per_coulomb_;
  q.soc_d_main = open * soc_per_coulomb_;
  q.soc_d_soc = -std::abs(main_a) * slope * soc_per_coulomb_;
  q.heating_w = r_series_ohm * charge_a * charge_a + main_a * (x.v_fast_v + x.v_slow_v) + q.gassing_a * q.inner_v;
  return q;
}

}  // namespace dawnrig::plant
