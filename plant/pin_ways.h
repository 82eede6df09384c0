// Plant: the sense pins along one step of GateStepper, at any instant of it. May use plant only; for foresight.h.
#pragma once

#include <array>
#include <cstddef>

#include "plant/circuit_point.h"
#include "plant/core/two_modes.h"

namespace dawnrig::plant {

/// The closed forms that GateStepper draws over a step, asked for before its end: the nodes' modes under the same
/// forces, each pin after its node or current. What the step found a pin to miss at its end grows with the square of
/// the time. At the end it is the step's own solution. Checked in tests/plant/foresight_test.cc.
struct PinWays {
  struct Way {
    double start_v{};
    double missed_v_per_s{};  ///< at the end of the step, by the straight lines
    SensePoint start;
    Along driven{};  ///< what drives it, as of the whole step
  };

  /// How far a pin has come from its start, t_s after the step's.
  [[nodiscard]] double moved_v(std::size_t pin, double t_s) const;

  double length_s{};
  TwoModes two{TwoNodes{Capacitor{1.0}, Capacitor{1.0}, 0.0, 0.0, 0.0}, {}, {}};
  TwoModes::Pair bend_v_per_s{}, twist_v_per_s{};
  std::array<Way, kMaxSense> of;
};

}  // namespace dawnrig::plant
