#include "plant/foresight.h"

#include <cmath>

#include "plant/core/phi.h"

namespace dawnrig::plant {

namespace {

constexpr double kUnseenV = 1e-12;

}  // namespace

// A pull as it is left at that instant. One that nobody could see any more is over.
void Foresight::fall_back(std::size_t pin, Nanos now) {
  Pull& pull = pulled_[pin];
  const double since_s = in_seconds(now - pull.at);
  const Phi<1> phi{since_s * pin_rate_per_s(pin)};
  pull.felt_v_s += pull.v * since_s * phi[1];
  pull.v *= phi[0];
  pull.at = now;
  if (std::abs(pull.v) < kUnseenV) pull.v = 0.0;
}

void Foresight::work_out_share(std::size_t pin, const AdcInputParams& input, double capacitance_f) {
  const double rate_per_s = pin_rate_per_s(pin);
  shared_[pin] = {rate_per_s, input, share_of(input, capacitance_f, -capacitance_f * rate_per_s)};
}

void Foresight::settle(const CircuitSystem& system, Nanos now, Vector& y) {
  pulls_ = 0;
  const StageParams& stage = system.params().stage;
  for (std::size_t i = 0; i < system.params().sense.size(); ++i) {
    Pull& pull = pulled_[i];
    if (pull.v == 0.0 && pull.felt_v_s == 0.0) continue;
    if (pull.at > now) {
      ++pulls_;
      continue;
    }
    fall_back(i, now);
    const bool input = system.parts().sense[i].node() == SenseNode::kPanelInput;
    const double farad = input ? stage.input_capacitance_f : stage.output_capacitance_f;
    double& node_v = y[input ? Slot::kInput : Slot::kBus];
    const double coulomb = ways_.of[i].start.node_d_pin * pull.felt_v_s;
    y[Slot::kSenseJ] += node_v * coulomb;
    node_v -= coulomb / farad;
    y[system.first_sense() + i] += pull.v;
    pull = {};
  }
}

}  // namespace dawnrig::plant
