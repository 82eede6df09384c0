// Parts and promises in the words of the trade.
// Room: harness/metering. May use what this room uses.
#pragma once

#include <string>

#include "harness/metering/uncertain.h"

namespace dawnrig::metering {

/// "the upper resistor (r_top_ohm)"
[[nodiscard]] std::string part_words(const std::string& part);
/// Why a board whose parts are all as labelled reads otherwise when it is cold or warm.
[[nodiscard]] std::string drift_words(const profile::SenseChannel& channel);
/// "0.1 %", "25 ppm/K", "0.5 codes"; of a figure that is zero or of an absolute promise, the promise itself.
[[nodiscard]] std::string promise_text(const Variable& variable);

}  // namespace dawnrig::metering
