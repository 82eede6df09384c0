#pragma once
#include "plant/core/problems.h"
namespace dawnrig::plant {
struct DiodeParams {
  double saturation_current_a{2e-6};
  double emission_coefficient{1.04};
  double series_resistance_ohm{0.012};
};
struct SeriesPwmParams {
  double input_capacitance_f{2.2e-6};
  double output_capacitance_f{220e-6};
  double switch_on_resistance_ohm{0.01};
  DiodeParams blocking_diode;
  double quiescent_a{0.005};
  double max_bus_v{60.0};
  void check(Problems& problems) const;
};
}  // namespace dawnrig::plant
