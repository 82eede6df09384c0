// What a plant that could not go on, or lost energy on its way, leaves behind, in words. Room: harness/rig.
#pragma once

#include <string>

#include "plant/circuit.h"

namespace dawnrig::rig {

/// Why the run is invalid, with the state and the conditions that led there: the last good ones.
[[nodiscard]] std::string plant_failure(plant::AdvanceStatus status, const plant::CircuitState& state,
                                        const plant::Conditions& conditions);

/// Why the run is invalid if its books miss more than a thousandth of all energy that was turned over, and more than
/// 10 mJ; else empty. A solution that loses so much is no solution, however smooth it looks.
[[nodiscard]] std::string open_books(double residual_j, const plant::Books& books);

}  // namespace dawnrig::rig
