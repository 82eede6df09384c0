#include "plant/battery/lead_acid.h"

#include <array>
#include <cmath>
#include <cstddef>

#include "plant/battery/common_check.h"
#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

// 900 J/K per kg, at 3 kg for every 10 Ah of six cells: lead, acid and case together.
constexpr double kHeatPerAhAndCell = 900.0 * 3.0 / 10.0 / 6.0;
// What a twenty-hour discharge gives, over what a ten-hour one does.
constexpr double kSlowCapacityScale = 1.04;

// Of 12 V and 100 Ah.
struct KindFigures {
  std::array<double, 5> ocv_v;  ///< at rest, from empty to full by quarters
  double series_ohm{}, acceptance_ohm{};
  double gassing_a_per_100ah{}, recombination_frac{};
};
constexpr std::array<double, 5> kSealedOcvV{11.800, 12.000, 12.400, 12.600, 12.800};
// In the order of LeadAcidKind.
constexpr std::array<KindFigures, 3> kFigures{{
    {{11.890, 12.060, 12.240, 12.450, 12.650}, 0.008, 1.5, 0.02, 0.0},
    {kSealedOcvV, 0.0049, 2.9, 0.01, 0.95},
    {kSealedOcvV, 0.0075, 2.9, 0.01, 0.95},
}};

}  // namespace

void LeadAcidParams::check(Problems& problems) const {
  check_common(problems, *this, 48);
  if (ocv.empty()) {
    check_range(problems, "cell_ocv_empty_v", cell_ocv_empty_v, {1.5, 2.2});
    check_range(problems, "cell_ocv_full_v", cell_ocv_full_v, {1.9, 2.4});
    if (!(cell_ocv_full_v > cell_ocv_empty_v)) problems.add("cell_ocv_full_v", "must be above cell_ocv_empty_v");
  } else {
    check_ocv(problems, "ocv", ocv, 1.5, 2.4);
  }
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
  const KindFigures& figures = kFigures[static_cast<std::size_t>(kind)];
  for (std::size_t i = 0; i < figures.ocv_v.size(); ++i) {
    p.ocv.push_back({0.25 * static_cast<double>(i), figures.ocv_v[i] / 6.0});
  }
  p.cell_ocv_empty_v = p.ocv.front().cell_v;
  p.cell_ocv_full_v = p.ocv.back().cell_v;
  p.r_series_ohm = figures.series_ohm * series;
  p.r_acceptance_ohm = figures.acceptance_ohm * size;
  p.gassing_a_per_100ah = figures.gassing_a_per_100ah / kSlowCapacityScale;
  p.recombination_frac = figures.recombination_frac;
  return p;
}

}  // namespace dawnrig::plant
