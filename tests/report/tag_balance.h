// A small check that a page's tags are balanced and its attributes quoted.
// Room: tests/report.
#pragma once

#include <string>

namespace dawnrig::report {

/// "" if every tag is closed in order, every attribute is quoted and every '&' begins a character reference; else the
/// first complaint with its surroundings.
[[nodiscard]] std::string complaint_about(const std::string& page);

}  // namespace dawnrig::report
