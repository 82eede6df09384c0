// Plant: what one set of conditions makes of a circuit, kept from one advance to the next. May use plant only; for
// circuit*.cc and transition_memory.h.
#pragma once

#include "plant/circuit_system.h"
#include "plant/foresight.h"
#include "plant/gate_stepper.h"
#include "plant/load_timeline.h"
#include "plant/slow_parts.h"

namespace dawnrig::plant {

/// How large an error per step the embedded solution may show, unknown by unknown: the inverse, zero for those not
/// judged. Each method has tolerances of its own, because it is better than its estimate by another factor.
enum class Method : std::uint8_t { kGateStepper, kLongStepper, kLongStepperOfBuck };
[[nodiscard]] CircuitSystem::Vector inverse_tolerances(Method method, const CircuitSystem& system);

/// Conditions of its own, and all that is worked out from them. A step that ended where the next advance begins need
/// not be looked at again: see GateStepper::go_on_from().
struct CircuitRun {
  CircuitRun(const CircuitParams& params, const CircuitParts& parts, const Conditions& under, const Standing& with);
  CircuitRun(const CircuitRun& other);
  CircuitRun& operator=(const CircuitRun&) = delete;
  ~CircuitRun() = default;

  /// Whether it is that of these conditions. Sun aside, which is the caller's from advance to advance.
  [[nodiscard]] bool serves(const CircuitParams& params, const Conditions& under, const Standing& with);

  Conditions conditions;
  Standing standing;
  CircuitSystem system;
  SlowParts slow;
  LoadTimeline loads;
  CircuitSystem::Vector inverse_tolerance;
  GateStepper stepper;
  Foresight ahead;
};

}  // namespace dawnrig::plant
