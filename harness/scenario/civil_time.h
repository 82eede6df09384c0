// Dates with times of day, as people write them.
// Room: harness/scenario, private to it. May use plant.
#pragma once

#include <optional>
#include <string_view>

#include "plant/sky/sun_position.h"

namespace dawnrig::scenario {

struct CivilTime {
  plant::UtcTime at;       ///< taken for UTC when no offset is written
  bool has_offset{false};  ///< "Z", "+01:00", "-07:00"
};

/// "2026-06-21T05:00:00+01:00" and its like: seconds may be left out or have a fraction, a blank may stand for the T.
/// nullopt: no such time.
[[nodiscard]] std::optional<CivilTime> parse_civil_time(std::string_view text);

}  // namespace dawnrig::scenario
