#pragma once
#include "plant/core/problems.h"
namespace dawnrig::plant {
/// Reference figures at 1000 W/m2 and 25 degC cell temperature, for the whole array.
struct PanelParams {
  double light_current_a{8.2};
  double saturation_current_a{1e-9};
  double modified_ideality_v{1.9};  ///< n Ns k Tc / q at 25 degC
  double series_resistance_ohm{0.2};
  double shunt_resistance_ohm{300.0};
  double short_circuit_tempco_a_per_k{0.004};
  double noct_degc{45.0};
  void check(Problems& problems) const;
};
}  // namespace dawnrig::plant
