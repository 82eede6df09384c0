// Skies in words, with every figure that makes them. Room: harness/scenario, private to it. May use plant,
// harness/base.
#pragma once

#include <string>

#include "plant/sky/sky.h"

namespace dawnrig::scenario {

/// One line; equal lines are equal skies. A series stands as the hash of its points.
[[nodiscard]] std::string text_of(const plant::SkyParams& sky);

}  // namespace dawnrig::scenario
