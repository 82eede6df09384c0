#include "plant/battery/lead_acid.h"

#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

// 900 J/K per kg, at 3 kg for every 10 Ah of six cells: lead, acid and case together.
constexpr double kHeatPerAhAndCell = 900.0 * 3.0 / 10.0 / 6.0;
// What a twenty-hour discharge gives, over what a ten-hour one does.
constexpr double kSlowCapacityScale = 1.04;

}  // namespace

void LeadAcidParams::check(Problems& problems) const {
  check_range(problems, "cells", cells, {1.0, 48.0});
  if (std::isfinite(cells) && cells != std::floor(cells)) problems.add("cells", "must be a whole number");
  check_range(problems, "capacity_ah", capacity_ah, {0.1, 1e5});
  if (ocv.empty()) {
    check_range(problems, "cell_ocv_empty_v", cell_ocv_empty_v, {1.5, 2.2});
    check_range(problems, "cell_ocv_full_v", cell_ocv_full_v, {1.9, 2.4});
    if (!(cell_ocv_full_v > cell_ocv_empty_v)) problems.add("cell_ocv_full_v", "must be above cell_ocv_empty_v");
  } else {
    check_ocv(problems, "ocv", ocv, 1.5, 2.4);
  }
  check_range(problems, "ocv_tempco_v_per_k", ocv_tempco_v_per_k, {-0.01, 0.01});
  check_range(problems, "r_series_ohm", r_series_ohm, {1e-5, 10.0});
  check_range(problems, "r_series_rise_frac", r_series_rise_frac, {0.0, 10.0});
  check_range(problems, "r_fast_ohm", r_fast_ohm, {1e-6, 10.0});
  check_range(problems, "tau_fast_s", tau_fast_s, {0.001, 60.0});
  check_range(problems, "r_slow_ohm", r_slow_ohm, {1e-6, 10.0});
  check_range(problems, "tau_slow_s", tau_slow_s, {1.0, 1e5});
  check_range(problems, "resistance_per_k", resistance_per_k, {0.0, 0.1});
  check_range(problems, "gassing_a_per_100ah", gassing_a_per_100ah, {0.0, 10.0});
  check_range(problems, "gassing_per_v", gassing_per_v, {0.0, 30.0});
  check_range(problems, "gassing_per_k", gassing_per_k, {0.0, 0.3});
  check_range(problems, "recombination_frac", recombination_frac, {0.0, 1.0});
  check_range(problems, "r_acceptance_ohm", r_acceptance_ohm, {0.0, 100.0});
  check_range(problems, "acceptance_per_soc", acceptance_per_soc, {0.0, 100.0});
  check_range(problems, "acceptance_per_k", acceptance_per_k, {0.0, 0.1});
  check_range(problems, "r_exhaustion_ohm", r_exhaustion_ohm, {0.0, 100.0});
  check_range(problems, "exhaustion_per_soc", exhaustion_per_soc, {0.0, 100.0});
  check_range(problems, "exhaustion_per_k", exhaustion_per_k, {0.0, 0.1});
  check_range(problems, "slow_share_frac", slow_share_frac, {0.0, 1.0});
  check_range(problems, "self_discharge_per_s", self_discharge_per_s, {0.0, 1e-5});
  check_range(problems, "self_discharge_per_k", self_discharge_per_k, {0.0, 0.3});
  check_range(problems, "heat_capacity_j_per_k", heat_capacity_j_per_k, {0.0, 1e8, true});
  check_range(problems, "thermal_resistance_k_per_w", thermal_resistance_k_per_w, {0.0, 1000.0, true});
  ageing.check(problems);
}

LeadAcidParams usual_lead_acid(LeadAcidKind kind, double cells, double capacity_ah) {
  LeadAcidParams p;
  p.cells = cells;
  p.capacity_ah = kSlowCapacityScale * capacity_ah;
  const double strings = cells / 6.0;                 // figures below are of six cells
  const double size = strings * 100.0 / capacity_ah;  // and of 100 Ah
  const double series = strings * std::pow(100.0 / capacity_ah, 0.61);
  p.r_series_rise_frac = 1.5;
  p.r_fast_ohm = 0.006 * size;
  p.tau_fast_s = 3.0;
  p.r_slow_ohm = 0.010 * size;
  p.tau_slow_s = 700.0;
  p.resistance_per_k = 0.007;
  p.acceptance_per_soc = 30.0;
  p.acceptance_per_k = 0.02;
  p.r_exhaustion_ohm = 0.25 * size;
  p.exhaustion_per_soc = 10.0;
  p.exhaustion_per_k = 0.06;
  p.slow_share_frac = 0.4;
  p.self_discharge_per_s = 0.0;  // the gas of the law is what they lose at rest
  p.heat_capacity_j_per_k = kHeatPerAhAndCell * capacity_ah * cells;
  p.thermal_resistance_k_per_w = 1.0 / (strings * std::cbrt(capacity_ah / 100.0 * capacity_ah / 100.0));
  const auto table = [&](double empty_v, double quarter_v, double half_v, double three_quarters_v, double full_v) {
    p.ocv = {{0.0, empty_v / 6.0},
             {0.25, quarter_v / 6.0},
             {0.5, half_v / 6.0},
             {0.75, three_quarters_v / 6.0},
             {1.0, full_v / 6.0}};
    p.cell_ocv_empty_v = empty_v / 6.0;
    p.cell_ocv_full_v = full_v / 6.0;
  };
  switch (kind) {
    case LeadAcidKind::kFlooded:
      table(11.890, 12.060, 12.240, 12.450, 12.650);
      p.r_series_ohm = 0.008 * series;
      p.r_acceptance_ohm = 1.5 * size;
      p.gassing_a_per_100ah = 0.02 / kSlowCapacityScale;
      p.recombination_frac = 0.0;
      break;
    case LeadAcidKind::kAgm:
      table(11.800, 12.000, 12.400, 12.600, 12.800);
      p.r_series_ohm = 0.0049 * series;
      p.r_acceptance_ohm = 2.9 * size;
      p.gassing_a_per_100ah = 0.01 / kSlowCapacityScale;
      p.recombination_frac = 0.95;
      break;
    case LeadAcidKind::kGel:
      table(11.800, 12.000, 12.400, 12.600, 12.800);
      p.r_series_ohm = 0.0075 * series;
      p.r_acceptance_ohm = 2.9 * size;
      p.gassing_a_per_100ah = 0.01 / kSlowCapacityScale;
      p.recombination_frac = 0.95;
      break;
  }
  return p;
}

}  // namespace dawnrig::plant
