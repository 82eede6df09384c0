// The parts of the page, in reading order.
// Room: harness/report. May use harness/verdict and what lies below.
#pragma once

#include <string>

#include "harness/report/results.h"

namespace dawnrig::report {

/// Devices with their verdicts, what went wrong, what was tested, and the cautions.
[[nodiscard]] std::string first_page(const Results& results);
/// One line per requirement, worst first, with the devices side by side.
[[nodiscard]] std::string verdict_table(const Results& results);
/// One card per requirement, in the same order.
[[nodiscard]] std::string cards(const Results& results);
/// Every subject of the catalogue with its verdicts, margins and reasons; "" without a catalogue.
[[nodiscard]] std::string catalogue_section(const Results& results);
/// What a reader must not take these results for: subjects that only hardware shows, that do not apply, or are open.
[[nodiscard]] std::string not_shown(const Results& results);
/// Troubles of tests, what did not apply, runs and full hashes.
[[nodiscard]] std::string appendix(const Results& results);

/// The place of a requirement's card on the page.
[[nodiscard]] std::string anchor_of(const Row& row);

}  // namespace dawnrig::report
