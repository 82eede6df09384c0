#pragma once
#include <variant>
#include "plant/core/problems.h"
namespace dawnrig::plant {
struct LeadAcidParams {
  double cells{12};
  double capacity_ah{200.0};
  double cell_ocv_empty_v{1.98};
  double cell_ocv_full_v{2.13};
  double ocv_tempco_v_per_k{0.0002};  ///< per cell
  double r_series_ohm{0.008};         ///< whole battery, as all resistances
  double r_fast_ohm{0.006};
  double tau_fast_s{1.0};
  double r_slow_ohm{0.03};
  double tau_slow_s{600.0};
  double gassing_a_per_100ah{0.02};
  double gassing_per_v{11.0};
  double gassing_per_k{0.06};
  double r_acceptance_ohm{0.3};  ///< added to r_fast_ohm while charging, times exp(-acceptance_per_soc * (1 - soc))
  double acceptance_per_soc{10.0};
  double heat_capacity_j_per_k{100e3};
  double thermal_resistance_k_per_w{0.5};
  void check(Problems& problems) const;
};
/// v_fast_v, v_slow_v: across the RC pairs, positive while charging.
struct BatteryState {
  double soc_frac{0.8};
  double v_fast_v{0.0};
  double v_slow_v{0.0};
  double battery_degc{25.0};
};
using BatteryParams = std::variant<LeadAcidParams>;
}  // namespace dawnrig::plant
