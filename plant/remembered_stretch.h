// Plant: what is told of steps that are remembered. May use plant only; for circuit_advance.cc.
#pragma once

#include "plant/circuit.h"
#include "plant/circuit_system.h"
#include "plant/step_observer.h"
#include "plant/transition_memory.h"

namespace dawnrig::plant {

/// A transition after an edge and the rest of the interval. Extremes are looked for at both ends, at all steps of the
/// rest, and wherever the transition may have them within its cell, so that they are those of its steps, digit by
/// digit.
class RememberedStretch final : public Stretch {
 public:
  /// `y` and `at_edge` are what the circuit is and shows right after the edge; `at_end` what it shows in the end.
  struct Ends {
    Nanos edge{0};
    const Probes& at_edge;
    const Probes& at_end;
    double supply_v{};
  };
  RememberedStretch(const CircuitSystem& system, const CircuitSystem::Vector& y,
                    const TransitionMemory::Interval& known, const Ends& ends);

  [[nodiscard]] Nanos from() const override { return ends_.edge; }
  [[nodiscard]] const Probes& lowest() const override { return lowest_; }
  [[nodiscard]] const Probes& highest() const override { return highest_; }
  [[nodiscard]] const Probes& mean() const override { return mean_; }
  [[nodiscard]] std::size_t steps() const override { return steps_; }
  [[nodiscard]] Nanos end_of(std::size_t step) const override;
  [[nodiscard]] Probes at_end_of(std::size_t step) const override;

 private:
  struct Fast;
  [[nodiscard]] Transition::Sample sample(std::size_t step) const;
  [[nodiscard]] Fast shown(const Transition::Sample& sample) const;
  void put_bus(double bus_v, Fast& fast) const;
  void widen_by_turns(const Fast& edge, const Fast& last, Fast& lowest, Fast& highest) const;

  const CircuitSystem& system_;
  const TransitionMemory::Interval known_;
  const Ends ends_;
  double inner_v_;
  std::size_t steps_;
  Probes lowest_, highest_, mean_;
};

}  // namespace dawnrig::plant
