// Plant, battery: the rules that parameters of every chemistry obey. May use plant/core only.
#pragma once

#include <cmath>

#include "plant/core/problems.h"
#include "plant/core/range_check.h"

namespace dawnrig::plant {

/// Size, resistances and heat. `most_cells`: in series. The open-circuit voltage is the chemistry's own business.
template <class Params>
void check_common(Problems& problems, const Params& p, int most_cells) {
  check_range(problems, "cells", p.cells, {1.0, static_cast<double>(most_cells)});
  if (std::isfinite(p.cells) && p.cells != std::floor(p.cells)) problems.add("cells", "must be a whole number");
  check_range(problems, "capacity_ah", p.capacity_ah, {0.1, 1e5});
  check_range(problems, "ocv_tempco_v_per_k", p.ocv_tempco_v_per_k, {-0.01, 0.01});
  check_range(problems, "r_series_ohm", p.r_series_ohm, {1e-5, 10.0});
  check_range(problems, "r_series_rise_frac", p.r_series_rise_frac, {0.0, 10.0});
  check_range(problems, "r_fast_ohm", p.r_fast_ohm, {1e-6, 10.0});
  check_range(problems, "tau_fast_s", p.tau_fast_s, {0.001, 60.0});
  check_range(problems, "r_slow_ohm", p.r_slow_ohm, {1e-6, 10.0});
  check_range(problems, "tau_slow_s", p.tau_slow_s, {1.0, 1e5});
  check_range(problems, "resistance_per_k", p.resistance_per_k, {0.0, 0.1});
  check_range(problems, "self_discharge_per_s", p.self_discharge_per_s, {0.0, 1e-5});
  check_range(problems, "self_discharge_per_k", p.self_discharge_per_k, {0.0, 0.3});
  check_range(problems, "heat_capacity_j_per_k", p.heat_capacity_j_per_k, {0.1, 1e8});
  check_range(problems, "thermal_resistance_k_per_w", p.thermal_resistance_k_per_w, {1e-4, 1000.0});
  p.ageing.check(problems);
}

}  // namespace dawnrig::plant
