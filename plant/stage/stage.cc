#include "plant/stage/stage.h"

#include <algorithm>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kMostShortedF = 20e-6;

void check_buck(Problems& problems, const BuckParams& b) {
  check_range(problems, "inductance_henry", b.inductance_henry, {1e-7, 0.1});
  check_range(problems, "winding_ohm", b.winding_ohm, {0.0, 10.0});
  check_range(problems, "core_ohm", b.core_ohm, {10.0, 2e4});
  check_range(problems, "freewheel_ohm", b.freewheel_ohm, {1e-4, 10.0});
  b.freewheel_diode.check(problems, "freewheel_diode");
  if (b.freewheel_diode.series_resistance_ohm < 1e-4) {
    check_range(problems, "freewheel_diode.series_resistance_ohm", b.freewheel_diode.series_resistance_ohm, {1e-4, 10});
  }
  if (!b.blocks_reverse) {
    b.body_diode.check(problems, "body_diode");
    check_range(problems, "body_diode.series_resistance_ohm", b.body_diode.series_resistance_ohm, {1e-4, 10});
  }
}

}  // namespace

void StageParams::check(Problems& problems) const {
  check_range(problems, "input_capacitance_f", input_capacitance_f, {1e-8, 0.1});
  check_range(problems, "output_capacitance_f", output_capacitance_f, {1e-7, 0.1});
  check_range(problems, "switch_on_resistance_ohm", switch_on_resistance_ohm, {1e-4, 10.0});
  check_range(problems, "switch_per_k", switch_per_k, {0.0, 0.02});
  blocking_diode.check(problems, "blocking_diode");
  check_range(problems, "quiescent_a", quiescent_a, {0.0, 1.0});
  check_range(problems, "max_bus_v", max_bus_v, {1.0, 200.0});
  if (heat_sink) {
    check_range(problems, "heat_sink.resistance_k_per_w", heat_sink->resistance_k_per_w, {1e-3, 1000.0});
    check_range(problems, "heat_sink.heat_capacity_j_per_k", heat_sink->heat_capacity_j_per_k, {1e-2, 1e6});
  }
  if (std::holds_alternative<ShuntPwmParams>(topology)) {
    if (input_capacitance_f > kMostShortedF) {  // the switch would dump it into itself at every edge
      check_range(problems, "input_capacitance_f", input_capacitance_f, {1e-8, kMostShortedF});
    }
    if (blocking_diode.series_resistance_ohm < 1e-4) {  // no switch in series with it
      check_range(problems, "blocking_diode.series_resistance_ohm", blocking_diode.series_resistance_ohm, {1e-4, 10.0});
    }
  }
  if (const auto* buck = std::get_if<BuckParams>(&topology)) check_buck(problems, *buck);
}

double StageParams::switch_ohm(double degc) const {
  return switch_on_resistance_ohm * std::max(0.1, 1.0 + switch_per_k * (degc - 25.0));
}

bool StageParams::temperature_matters() const {
  const auto* buck = std::get_if<BuckParams>(&topology);
  return switch_per_k != 0.0 || blocking_diode.follows_temperature ||
         (buck != nullptr && (buck->freewheel_diode.follows_temperature || buck->body_diode.follows_temperature));
}

}  // namespace dawnrig::plant
