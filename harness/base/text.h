// Words and numbers for messages.
// Room: harness/base. May use the standard library only.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace dawnrig::base {

/// Insertions, deletions, replacements and swaps of neighbours that turn one word into the other; case counts half.
[[nodiscard]] double edit_distance(std::string_view from, std::string_view to);

/// The candidate a person probably meant: the least edit distance (first of equals), if at most a third of the word.
[[nodiscard]] std::optional<std::string> nearest(std::string_view word, std::span<const std::string> candidates);

/// "; did you mean B?", or "; must be one of A, B, C" when nothing is near. Empty without candidates.
[[nodiscard]] std::string did_you_mean(std::string_view word, std::span<const std::string> candidates);

/// "A, B, C"
[[nodiscard]] std::string listed(std::span<const std::string> words);

/// The fewest digits that read back as the same double. Plain digits from 0.0001 to 1e15, else "1e-9"; locale never.
[[nodiscard]] std::string number_text(double value);
/// At most so many digits after the point, trailing zeros dropped: (14.39999, 2) gives "14.4".
[[nodiscard]] std::string number_text(double value, int decimals);

}  // namespace dawnrig::base
