#include "plant/battery/lifepo4.h"

#include <cmath>

#include "plant/battery/common_check.h"
#include "plant/core/range_check.h"

namespace dawnrig::plant {

// 1 to 95.7 %: a published table of a cell under a light load. Above, where the table has a single point, the wall of
// the iron phosphate half cell, 0.5 V exp(-150 x) at x = 0.75 (1 - soc); below, down to the usual cut-off.
std::vector<OcvPoint> usual_lifepo4_ocv() {
  return {{0.0, 2.500},   {0.01, 2.900},  {0.054, 3.120},  {0.139, 3.190},   {0.226, 3.220},
          {0.312, 3.240}, {0.398, 3.263}, {0.485, 3.269},  {0.571, 3.274},   {0.656, 3.278},
          {0.742, 3.290}, {0.829, 3.306}, {0.915, 3.316},  {0.957, 3.320},   {0.97, 3.3323},
          {0.98, 3.3681}, {0.99, 3.4779}, {0.995, 3.6005}, {0.9975, 3.6931}, {1.0, 3.8157}};
}

void LiFePo4Params::check(Problems& problems) const {
  check_common(problems, *this, 32);
  check_ocv(problems, "ocv", ocv, 1.5, 4.5);
  check_range(problems, "hysteresis_v", hysteresis_v, {0.0, 0.1});
  check_range(problems, "hysteresis_soc_frac", hysteresis_soc_frac, {0.001, 1.0});
  protection.check(problems);
}

LiFePo4Params usual_lifepo4(double cells, double capacity_ah) {
  constexpr double kBoardOhm = 0.008;  // switches, shunt and leads
  LiFePo4Params p;
  p.cells = cells;
  p.capacity_ah = capacity_ah;
  const double size = cells * 100.0 / capacity_ah;
  p.r_series_ohm = 0.000375 * size + kBoardOhm;
  p.r_fast_ohm = 0.0005 * size;
  p.r_slow_ohm = 0.001 * size;
  p.heat_capacity_j_per_k = 25.0 * capacity_ah * cells;
  p.thermal_resistance_k_per_w = 8.0 / (cells * std::cbrt(capacity_ah / 100.0 * capacity_ah / 100.0));
  return p;
}

}  // namespace dawnrig::plant
