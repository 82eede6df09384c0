// Numbers in exported files: exact, short, and the same in every locale.
// Room: harness/trace. Only for the .cc files of this room.
#pragma once

#include <string>

#include "plant/core/time.h"

namespace dawnrig::trace {

/// The fewest digits that read back as the same float.
[[nodiscard]] std::string number_text(float value);
/// Seconds to the nanosecond, without trailing zeros: "12.0205".
[[nodiscard]] std::string seconds_text(Nanos time);

}  // namespace dawnrig::trace
