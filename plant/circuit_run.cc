#include "plant/circuit_run.h"

#include <algorithm>
#include <cstring>
#include <type_traits>

namespace dawnrig::plant {
namespace {

// Error allowed per step of the embedded second-order solution. The one kept is better by how much each method's tests
// measure. The bus must be right within 0.1 mV; what a capacitor misses ends up on the bus in proportion to the
// capacitances.
struct Tolerances {
  double bus_v;
  double most_input_v;
  double pin_v;
  double polarisation_v;
  double filament;
};
constexpr Tolerances kOfLongStepper{5e-5, 5e-3, 1e-4, 1e-5, 1e-4};
// The same method on ramps of inductor current: hardly a thirtieth of the estimate is left on the bus.
constexpr Tolerances kOfBuck{2e-4, 2e-2, 1e-3, 1e-5, 1e-4};
constexpr Tolerances kOfGateStepper{3e-4, 2e-2, 1e-3, 1e-5, 3e-4};
constexpr double kSocTolerance = 1e-7;
constexpr double kHysteresisTolerance = 1e-4;
constexpr double kCurvedToleranceJ = 0.05;  // hours of 100 W are then right to 1e-6
constexpr double kTemperatureToleranceK = 1e-3;

constexpr double kInductorToleranceA = 3e-4;
constexpr double kLossToleranceJ = 1e-4;

const Tolerances& tolerances(Method method) {
  switch (method) {
    case Method::kGateStepper:
      return kOfGateStepper;
    case Method::kLongStepperOfBuck:
      return kOfBuck;
    case Method::kLongStepper:
      break;
  }
  return kOfLongStepper;
}

static_assert(std::is_trivially_copyable_v<Conditions>);
// Nearly always they are a copy of the ones before, padding and all; only if not does it matter what differs.
bool same_bytes(const Conditions& a, const Conditions& b) {
  return std::memcmp(&a, &b, sizeof a) == 0;  // NOLINT(bugprone-suspicious-memory-comparison)
}

}  // namespace

CircuitSystem::Vector inverse_tolerances(Method method, const CircuitSystem& system) {
  const Tolerances& of = tolerances(method);
  const CircuitParams& params = system.params();
  CircuitSystem::Vector inverse{};
  const double ratio = params.stage.output_capacitance_f / params.stage.input_capacitance_f;
  inverse[Slot::kInput] = 1.0 / std::clamp(of.bus_v * ratio, of.bus_v, of.most_input_v);
  inverse[Slot::kBus] = 1.0 / of.bus_v;
  inverse[Slot::kInductor] = 1.0 / kInductorToleranceA;
  if (!system.plain_series()) inverse[Slot::kStageJ] = 1.0 / kLossToleranceJ;
  inverse[Slot::kFast] = inverse[Slot::kSlow] = 1.0 / of.polarisation_v;
  inverse[Slot::kSoc] = 1.0 / kSocTolerance;
  inverse[Slot::kHysteresis] = 1.0 / kHysteresisTolerance;
  if (system.parts().battery.curved()) inverse[Slot::kBatteryJ] = 1.0 / kCurvedToleranceJ;
  inverse[Slot::kBatteryDegc] = inverse[Slot::kCellDegc] = 1.0 / kTemperatureToleranceK;
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) inverse[i] = 1.0 / of.filament;
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) inverse[i] = 1.0 / of.pin_v;
  return inverse;
}

CircuitRun::CircuitRun(const CircuitParams& params, const CircuitParts& parts, const Conditions& under,
                       const Standing& with)
    : conditions{under},
      standing{with},
      system{params, parts, conditions, standing},
      slow{params, conditions},
      loads{params, conditions},
      inverse_tolerance{inverse_tolerances(Method::kGateStepper, system)},
      stepper{system, inverse_tolerance, 0.0} {}

CircuitRun::CircuitRun(const CircuitRun& other)
    : conditions{other.conditions},
      standing{other.standing},
      system{other.system, conditions},
      slow{system.params(), conditions},
      loads{system.params(), conditions},
      inverse_tolerance{other.inverse_tolerance},
      stepper{other.stepper, system},
      ahead{other.ahead} {}

bool CircuitRun::serves(const CircuitParams& params, const Conditions& under, const Standing& with) {
  conditions.sun = under.sun;
  return &system.params() == &params && standing == with && (same_bytes(conditions, under) || conditions == under);
}

}  // namespace dawnrig::plant
