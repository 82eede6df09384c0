// What a plant that could not go on leaves behind, in words. Room: harness/rig.
#pragma once

#include <string>

#include "plant/circuit.h"

namespace dawnrig::rig {

/// Why the run is invalid, with the state and the conditions that led there: the last good ones.
[[nodiscard]] std::string plant_failure(plant::AdvanceStatus status, const plant::CircuitState& state,
                                        const plant::Conditions& conditions);

}  // namespace dawnrig::rig
