// The bits every part of the page is made of.
// Room: harness/report. May use harness/verdict and what lies below.
#pragma once

#include <string>
#include <string_view>

#include "harness/verdict/monitor.h"

namespace dawnrig::report {

/// Text as it may stand between tags and inside quoted attributes; characters that no page may hold become '?'.
[[nodiscard]] std::string escaped(std::string_view text);
/// <tag class="css">escaped text</tag>
[[nodiscard]] std::string element(std::string_view tag, std::string_view css_class, std::string_view text);
/// The verdict as a word in its own shape and colour.
[[nodiscard]] std::string badge(verdict::Verdict verdict);
/// "fail", "pass", ...: the style class of a verdict.
[[nodiscard]] std::string_view class_of(verdict::Verdict verdict);
/// A coordinate of a picture.
[[nodiscard]] std::string px(double value);
/// The first characters of a hash, or "not given".
[[nodiscard]] std::string short_hash(std::string_view sha256);
/// The style sheet of the page.
[[nodiscard]] std::string_view style_sheet();

}  // namespace dawnrig::report
