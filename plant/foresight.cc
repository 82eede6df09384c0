#include "plant/foresight.h"

#include <cmath>

#include "plant/core/phi.h"

namespace dawnrig::plant {

double Foresight::left_v(std::size_t pin, Nanos now) const {
  const Pull& pull = pulled_[pin];
  return pull.v == 0.0 ? 0.0 : pull.v * std::exp(pin_rate_per_s(pin) * in_seconds(now - pull.at));
}

double Foresight::felt_v_s(std::size_t pin, Nanos now) const {
  const Pull& pull = pulled_[pin];
  if (pull.v == 0.0) return pull.felt_v_s;
  const double since_s = in_seconds(now - pull.at);
  return pull.felt_v_s + pull.v * since_s * Phi<1>{since_s * pin_rate_per_s(pin)}[1];
}

void Foresight::pull(std::size_t pin, Nanos at, double by_v) {
  pulled_[pin] = {left_v(pin, at) + by_v, felt_v_s(pin, at), at};
  ++pulls_;
}

void Foresight::settle(const CircuitSystem& system, Nanos now, Vector& y) {
  pulls_ = 0;
  const StageParams& stage = system.params().stage;
  for (std::size_t i = 0; i < system.params().sense.size(); ++i) {
    Pull& pull = pulled_[i];
    if (pull.v == 0.0) continue;
    if (pull.at > now) {
      ++pulls_;
      continue;
    }
    const bool input = system.parts().sense[i].node() == SenseNode::kPanelInput;
    const double farad = input ? stage.input_capacitance_f : stage.output_capacitance_f;
    double& node_v = y[input ? Slot::kInput : Slot::kBus];
    const double coulomb = ways_.of[i].start.node_d_pin * felt_v_s(i, now);
    y[Slot::kSenseJ] += node_v * coulomb;
    node_v -= coulomb / farad;
    y[system.first_sense() + i] += left_v(i, now);
    pull = {};
  }
}

}  // namespace dawnrig::plant
