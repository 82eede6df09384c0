// Matchers for what a test demands beyond the requirements: preconditions, and limits of the user's own.
//
//   Highest peak{{.signal = Signal::kBusV, .limit = at_most(30.0_V)}};
//   ...
//   EXPECT_THAT(peak, Keeps(at_most(30.0_V)));
//
// Room: harness/testing. May use harness/verdict and what lies below; GoogleTest.
#pragma once

#include <gmock/gmock.h>

#include <string>

#include "harness/testing/units.h"
#include "harness/verdict/figure.h"
#include "harness/verdict/finding.h"

namespace dawnrig::testing {

/// Limits in the unit of the figure. Both ends belong to what is allowed.
[[nodiscard]] inline verdict::Limit at_most(Volts highest) {
  return {.highest = highest.in_si(), .unit = "V"};
}
[[nodiscard]] inline verdict::Limit at_most(Amperes highest) {
  return {.highest = highest.in_si(), .unit = "A"};
}
[[nodiscard]] inline verdict::Limit at_least(Volts lowest) {
  return {.lowest = lowest.in_si(), .unit = "V"};
}
[[nodiscard]] inline verdict::Limit at_least(Amperes lowest) {
  return {.lowest = lowest.in_si(), .unit = "A"};
}
[[nodiscard]] inline verdict::Limit between(Volts lowest, Volts highest) {
  return {.lowest = lowest.in_si(), .highest = highest.in_si(), .unit = "V"};
}
[[nodiscard]] inline verdict::Limit between(Amperes lowest, Amperes highest) {
  return {.lowest = lowest.in_si(), .highest = highest.in_si(), .unit = "A"};
}

/// A figure, or what a monitor has measured so far.
[[nodiscard]] inline const verdict::Figure& figure_of(const verdict::Figure& figure) {
  return figure;
}
[[nodiscard]] inline verdict::Figure figure_of(const verdict::Monitor& monitor) {
  return monitor.figure();
}

/// Matches a figure or monitor that stays within a limit. What was never exercised, or is no number, does not match.
/// The explanation is the finding's own sentence, with the first offending sample where the monitor was told the limit.
MATCHER_P(Keeps, limit, std::string{negation ? "does not keep" : "keeps"} + " its limit") {
  const verdict::Finding finding = verdict::judge({}, limit, figure_of(arg), "figure", "");
  *result_listener << verdict::text_of(finding.verdict) << ": " << finding.reason;
  return finding.verdict == verdict::Verdict::kPass;
}

}  // namespace dawnrig::testing
