// Findings: a figure held against a requirement.
// Room: harness/verdict. May use harness/trace, harness/profile and what lies below.
#pragma once

#include <string>
#include <string_view>

#include "harness/profile/profile.h"
#include "harness/verdict/figure.h"

namespace dawnrig::verdict {

/// The requirement's limit and tolerance; `per_12v` scales both by nominal_v / 12.
[[nodiscard]] Limit limit_of(const profile::Requirement& requirement, double nominal_v);

enum class Verdict : std::uint8_t { kPass, kFail, kInvalid, kVacuous };
[[nodiscard]] std::string_view text_of(Verdict verdict);  ///< "PASS", ...

struct Finding {
  profile::Requirement requirement;
  Limit limit;  ///< as applied
  Verdict verdict{Verdict::kVacuous};
  std::string reason;       ///< one sentence: why this verdict, naming the first offending sample
  std::string measured_as;  ///< what the figure is, in words without an article: "highest terminal voltage"
  Figure figure;
  double margin{0};                ///< in the limit's unit, < 0 is broken; 0 if the figure is no number or vacuous
  double margin_in_tolerances{0};  ///< the same, normalised
};

/// Holds a figure against a limit: margin = min(value - lowest, highest - value). In this order: `invalid_because` not
/// empty, a figure that is not a finite number, or a limit without an end: INVALID. Not exercised: VACUOUS. A figure
/// cut off by the end of the watch while it could still have stayed within `highest`: VACUOUS, the watch was too short.
[[nodiscard]] Finding judge(const profile::Requirement& requirement, const Limit& limit, const Figure& figure,
                            std::string measured_as, const std::string& invalid_because);

/// The same limit with both ends drawn in by what is not known of a voltage (k = 2): only what is inside whatever the
/// error passes. Limits in other units stay.
[[nodiscard]] Limit guarded(Limit limit, double uncertainty_v);

}  // namespace dawnrig::verdict
