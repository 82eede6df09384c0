// Numbers, units and signals as sentences name them.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include <string>
#include <string_view>

#include "harness/verdict/figure.h"

namespace dawnrig::verdict {

/// "terminal voltage", "gate"
[[nodiscard]] std::string_view words_for(trace::Signal signal);
/// "terminal voltage averaged over 50 ms"
[[nodiscard]] std::string words_for(const Watching& watching);
/// "V", "°C", "W/m²", "" for "1": how a unit is printed after a number.
[[nodiscard]] std::string printed_unit(std::string_view unit);
/// Digits after the point that show a tenth of a tolerance, 0..9.
[[nodiscard]] int decimals_for(double tolerance);
/// As many digits as it takes to tell two different numbers apart, at least `decimals`, at most 9.
[[nodiscard]] int decimals_to_tell_apart(double a, double b, int decimals);
/// "29.61 V", "−0.04 V" with a true minus sign; no negative zero; whole numbers of "count" without a point.
[[nodiscard]] std::string with_unit(double value, std::string_view unit, int decimals);
/// An instant or a duration: "12.480 s", and with the hours from ten minutes on: "3725.000 s (1 h 02 min)".
[[nodiscard]] std::string printed_time(Nanos time);
/// "50 ms", "1.5 s": a chosen duration, without trailing zeros.
[[nodiscard]] std::string printed_duration(Nanos duration);

}  // namespace dawnrig::verdict
