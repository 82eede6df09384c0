// The capacitor at a sense pin of the device, fed by an output of the interface board. Room: harness/rig.
#pragma once

#include <cmath>

#include "plant/core/time.h"

namespace dawnrig::rig {

/// v' = (u - v) / tau, the input u given as a function of time. For some microseconds after `begin`, when the output is
/// still on its way, in steps of half a microsecond; from there u stands still. Held by tests/rig/twin_test.cc.
class PinFilter {
 public:
  void set_tau_s(double tau_s) { tau_s_ = tau_s; }
  [[nodiscard]] double v() const { return v_; }
  void pull(double by_v) { v_ += by_v; }

  template <class Input>
  void advance(Nanos to, Input&& input_v_at) {
    constexpr Nanos kStep{500};
    constexpr int kSteps = 24;
    for (int i = 0; i < kSteps && at_ < to; ++i) {
      step(at_ + kStep < to ? at_ + kStep : to, input_v_at);
    }
    if (at_ < to) step(to, input_v_at);
  }

 private:
  template <class Input>
  void step(Nanos to, Input&& input_v_at) {
    const double u_v = input_v_at(at_ + (to - at_) / 2);
    v_ = u_v + (v_ - u_v) * std::exp(-in_seconds(to - at_) / tau_s_);
    at_ = to;
  }
  double tau_s_{1e-6};
  double v_{0};
  Nanos at_{0};
};

}  // namespace dawnrig::rig
