// What hangs on the two nodes of GateStepper without holding them back: pins and filaments.
#include <algorithm>
#include <cmath>

#include "plant/gate_stepper.h"

namespace dawnrig::plant {

void GateStepper::prepare_pins(double h_s) {
  for (std::size_t i = 0; i < system_->params().sense.size(); ++i) {
    const Phi<3> phi{h_s * pins_[i].pin_d_pin};
    pin_phi_[i] = {phi[1], phi[2], 2.0 * phi[3]};
  }
}

double GateStepper::sensed_start_a(SenseNode node) const {
  return node == SenseNode::kChargeCurrent ? start_.branch_a
         : node == SenseNode::kLoadCurrent ? at_.switched_a
                                           : start_.battery_a;
}

// A sensed current, less its start, along the corrected step.
GateStepper::Excursion GateStepper::sensed_way(SenseNode node, double h_s, const Excursion& input, const Excursion& bus,
                                               double bus_stage_v) const {
  if (node == SenseNode::kChargeCurrent) {
    const double d = at_.branch.d_voltage;
    return {d * (input.end_v - bus.end_v) + bend_.branch_a + twist_.branch_a,
            d * (input.mean_v - bus.mean_v) + bend_.branch_a / 3.0 + twist_.branch_a / 4.0};
  }
  const bool load = node == SenseNode::kLoadCurrent;
  const double d = load ? at_.switched_d_bus : system_->battery_s();
  const double drift_a = h_s * (load ? at_.switched_a_per_s : drift_.battery_a);
  const double bend_a =
      load ? system_->point().switched_a - at_.switched_a - d * bus_stage_v - drift_a : bend_.battery_a;
  return {d * bus.end_v + drift_a + bend_a, d * bus.mean_v + 0.5 * drift_a + bend_a / 3.0};
}

// Each pin is driven by its node, whose way is taken as the parabola of the same start, mean and end; or by the current
// through its shunt likewise, which nothing depends on and which waits for the corrected step.
double GateStepper::move_pins(const Vector& y, double h_s, const Excursion& input, const Excursion& bus,
                              bool corrected) {
  double worst = 0.0;
  for (std::size_t i = 0; i < system_->params().sense.size(); ++i) {
    const std::size_t slot = system_->first_sense() + i;
    const SensePoint& q = pins_[i];
    const SenseNode sensed = system_->parts().sense[i].node();
    const bool input_node = sensed == SenseNode::kPanelInput;
    Excursion node = input_node ? input : bus;
    double stage_v = next_[input_node ? Slot::kInput : Slot::kBus] - y[input_node ? Slot::kInput : Slot::kBus];
    if (is_current(sensed) && corrected) {
      node = sensed_way(sensed, h_s, input, bus, stage_v);
      stage_v = system_->sensed_a(sensed) - sensed_start_a(sensed);
    } else if (is_current(sensed)) {
      node = {};
    }
    const double curved_v = 3.0 * node.end_v - 6.0 * node.mean_v;
    const auto& [even, ramp, parabola] = pin_phi_[i];
    double moved_v = h_s * (even * q.pin_per_s + q.pin_d_node * (ramp * (node.end_v - curved_v) + parabola * curved_v));
    if (corrected) {
      const double rate_miss = system_->point().sense[i].pin_per_s - q.pin_per_s -
                               q.pin_d_pin * (next_[slot] - y[slot]) - q.pin_d_node * stage_v;
      const double more_v = h_s * parabola * rate_miss;
      moved_v += more_v;
      worst = std::max(worst, std::abs(more_v) * inverse_tolerance_[slot]);
    }
    next_[slot] = y[slot] + moved_v;
  }
  return worst;
}

double GateStepper::move_filaments(const Vector& y, double h_s) {
  double worst = 0.0;
  for (std::size_t i = Slot::kFirstLoad; i < system_->first_sense(); ++i) {
    const double more = 0.5 * h_s * (system_->point().loads[i - Slot::kFirstLoad].state_per_s - f_[i]);
    next_[i] = y[i] + h_s * f_[i] + more;
    worst = std::max(worst, std::abs(more) * inverse_tolerance_[i]);
  }
  return worst;
}

}  // namespace dawnrig::plant
