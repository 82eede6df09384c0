// Plant: the battery's charge over what is remembered of an interval, as charged and as discharged. May use plant only;
// for circuit_advance.cc.
#pragma once

#include "plant/circuit_view.h"
#include "plant/transition_memory.h"

namespace dawnrig::plant {

/// The net charge of an interval is remembered whole; a current that turns around on the way is followed from step to
/// step, for the battery has another resistance to either direction, and an account for each.
class TurningCurrent {
 public:
  /// From y, which is right after an edge, with the bus going so far below and above.
  TurningCurrent(const CircuitSystem& system, const CircuitSystem::Vector& y, double lowest_v, double highest_v,
                 GrossCharge& gross)
      : system_{system},
        gross_{gross},
        inner_v_{system.parts().battery.inner_v(CircuitSystem::battery_of(y))},
        battery_a_{system.battery_s() * (y[Slot::kBus] - inner_v_)},
        net_ah_{y[Slot::kNetAh]},
        turns_{(battery_a_ + system.battery_s() * lowest_v < 0.0) !=
               (battery_a_ + system.battery_s() * highest_v < 0.0)} {}

  /// To the end of so many steps of a transition.
  void follow(const Transition& known, const Transition::Away& away, std::size_t steps) {
    if (!turns_) return;
    const Transition::Charged at = known.charged(away);
    for (std::size_t i = 0; i < steps; ++i) charge(at.net_ah[i], at.bus_v[i], known.end_of(i));
  }
  /// From the end of the transition to that of the last step but one.
  void follow(const TransitionMemory::Interval& known) {
    if (!turns_) return;
    for (std::size_t i = 0; i + 1 < known.remainder->steps(); ++i) {
      const Transition::Sample at = known.remainder->sample(i, *known.rest_away, known.span);
      charge(at.net_ah, at.bus_v, known.transition->length() + known.remainder->end_of(i, known.span));
    }
  }
  /// To the end, so long after the edge.
  void finish(double net_ah, double battery_a, Nanos whole) {
    gross_.add(net_ah - net_ah_, battery_a_, turns_ ? battery_a : battery_a_, in_seconds(whole - after_));
  }

 private:
  void charge(double net_ah, double bus_v, Nanos after) {
    const double battery_a = system_.battery_s() * (bus_v - inner_v_);
    gross_.add(net_ah - net_ah_, battery_a_, battery_a, in_seconds(after - after_));
    battery_a_ = battery_a;
    net_ah_ = net_ah;
    after_ = after;
  }

  const CircuitSystem& system_;
  GrossCharge& gross_;
  const double inner_v_;  // of the battery, which hardly moves until the last step
  double battery_a_, net_ah_;
  const bool turns_;
  Nanos after_{0};  // the edge
};

}  // namespace dawnrig::plant
