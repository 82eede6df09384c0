// Plant, battery: lithium iron phosphate, as a set of figures for battery.h. May use plant/core only.
#pragma once

#include <vector>

#include "plant/battery/ageing.h"
#include "plant/battery/ocv_curve.h"
#include "plant/battery/protection.h"
#include "plant/core/problems.h"

namespace dawnrig::plant {

/// The open-circuit voltage of a cell, half way between what it rests at after charging and after discharging.
[[nodiscard]] std::vector<OcvPoint> usual_lifepo4_ocv();

/// Defaults are those of usual_lifepo4(8, 100).
struct LiFePo4Params {
  double cells{8};
  double capacity_ah{100.0};
  std::vector<OcvPoint> ocv{usual_lifepo4_ocv()};
  double ocv_tempco_v_per_k{0.0001};  ///< per cell
  double hysteresis_v{0.01};          ///< per cell, to either side of ocv
  double hysteresis_soc_frac{0.05};   ///< charge, of the capacity, over which it turns around by 1 - 1/e
  double r_series_ohm{0.011};         ///< whole battery with its board, at full charge and 25 degC
  double r_series_rise_frac{0.3};     ///< how much more it is when empty
  double r_fast_ohm{0.004};
  double tau_fast_s{5.0};
  double r_slow_ohm{0.008};
  double tau_slow_s{600.0};
  double resistance_per_k{0.03};  ///< all three times exp(-resistance_per_k (T - 25 degC))
  double self_discharge_per_s{1e-8};
  double self_discharge_per_k{0.07};
  double heat_capacity_j_per_k{20e3};
  double thermal_resistance_k_per_w{1.0};
  Ageing ageing;  ///< gassing and acceptance do not apply
  ProtectionParams protection;
  void check(Problems& problems) const;
};

/// What a new battery of large prismatic cells usually measures, scaled to its size; plant/README.md holds a source for
/// each figure. Resistances of the cells fall with capacity; the board's own does not.
[[nodiscard]] LiFePo4Params usual_lifepo4(double cells, double capacity_ah);

}  // namespace dawnrig::plant
