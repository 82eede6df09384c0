// Figures, limits and margins as the table and the page print them.
// Room: harness/report. May use harness/verdict and what lies below.
#pragma once

#include <string>
#include <string_view>

#include "harness/report/results.h"

namespace dawnrig::report {

/// "29.61 V", or a dash where there is no figure to show.
[[nodiscard]] std::string measured_text(const Judged& judged);
/// "at most 29.38 V", "at least 22.00 V", "28.51 to 29.09 V"
[[nodiscard]] std::string limit_text(const Judged& judged);
/// "+0.30 V"; a dash for INVALID and VACUOUS, whose figures are no margin of anything.
[[nodiscard]] std::string margin_text(const Judged& judged);
/// "+3.0", in tolerances
[[nodiscard]] std::string normalised_text(const Judged& judged);
[[nodiscard]] bool has_margin(const Judged& judged);
/// "ridge repeater controller, revision A"
[[nodiscard]] std::string device_name(const Device& device);
/// What sets a device apart from the others of this report: "revision A", with site or image where that is not enough.
[[nodiscard]] std::string column_name(const Device& device, const Results& results);
[[nodiscard]] std::string capitalised(std::string_view text);
/// The same text with a capital letter and a full stop.
[[nodiscard]] std::string as_sentence(std::string_view text);
/// "3 h 20 min", "42 s"
[[nodiscard]] std::string span_text(double duration_s);

}  // namespace dawnrig::report
