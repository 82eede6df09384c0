#include "harness/base/text.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

namespace dawnrig::base {
namespace {

char lower(char c) {
  return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
}

double change_cost(char a, char b) {
  if (a == b) return 0;
  return lower(a) == lower(b) ? 0.5 : 1;
}

std::string digits(double value, std::chars_format format, int decimals) {
  std::array<char, 512> text{};
  const auto end = decimals < 0 ? std::to_chars(text.data(), text.data() + text.size(), value, format)
                                : std::to_chars(text.data(), text.data() + text.size(), value, format, decimals);
  return {text.data(), end.ptr};
}

bool reads_well_as_plain_digits(double value) {
  const double size = std::fabs(value);
  return size == 0 || (size >= 1e-4 && size < 1e15);
}

// "1e-06" becomes "1e-6", "1e+16" becomes "1e16".
std::string short_exponent(std::string text) {
  const std::size_t e = text.find('e');
  if (e == std::string::npos) return text;
  std::size_t at = e + 1;
  if (text[at] == '+') text.erase(at, 1);
  if (text[at] == '-') ++at;
  while (at + 1 < text.size() && text[at] == '0') text.erase(at, 1);
  return text;
}

}  // namespace

double edit_distance(std::string_view from, std::string_view to) {
  const std::size_t width = to.size() + 1;
  std::vector<double> cost((from.size() + 1) * width);
  const auto at = [&](std::size_t i, std::size_t j) -> double& { return cost[i * width + j]; };
  for (std::size_t i = 0; i <= from.size(); ++i) at(i, 0) = static_cast<double>(i);
  for (std::size_t j = 0; j <= to.size(); ++j) at(0, j) = static_cast<double>(j);
  for (std::size_t i = 1; i <= from.size(); ++i) {
    for (std::size_t j = 1; j <= to.size(); ++j) {
      at(i, j) = std::min({at(i - 1, j) + 1, at(i, j - 1) + 1, at(i - 1, j - 1) + change_cost(from[i - 1], to[j - 1])});
      const bool swapped = i > 1 && j > 1 && from[i - 1] == to[j - 2] && from[i - 2] == to[j - 1];
      if (swapped) at(i, j) = std::min(at(i, j), at(i - 2, j - 2) + 1);
    }
  }
  return at(from.size(), to.size());
}

std::optional<std::string> nearest(std::string_view word, std::span<const std::string> candidates) {
  std::optional<std::string> best;
  // A stranger of three letters is two changes from half of all short names: the bar rises with the word.
  double bar = std::max(1.0, static_cast<double>(word.size()) / 3);
  for (const std::string& candidate : candidates) {
    const std::size_t gap =
        word.size() > candidate.size() ? word.size() - candidate.size() : candidate.size() - word.size();
    if (static_cast<double>(gap) > bar) continue;
    const double distance = edit_distance(word, candidate);
    if (distance < bar || (!best && distance == bar)) {
      bar = distance;
      best = candidate;
    }
  }
  return best;
}

std::string did_you_mean(std::string_view word, std::span<const std::string> candidates) {
  if (candidates.empty()) return {};
  if (const auto meant = nearest(word, candidates)) return "; did you mean " + *meant + "?";
  return "; must be one of " + listed(candidates);
}

std::string listed(std::span<const std::string> words) {
  std::string text;
  for (const std::string& word : words) text += (text.empty() ? "" : ", ") + word;
  return text;
}

std::string number_text(double value) {
  if (std::isnan(value)) return "nan";
  if (std::isinf(value)) return value < 0 ? "-inf" : "inf";
  if (reads_well_as_plain_digits(value)) return digits(value, std::chars_format::fixed, -1);
  return short_exponent(digits(value, std::chars_format::scientific, -1));
}

std::string number_text(double value, int decimals) {
  if (!std::isfinite(value)) return number_text(value);
  std::string text = digits(value, std::chars_format::fixed, std::clamp(decimals, 0, 17));
  if (text.find('.') != std::string::npos) {
    while (text.back() == '0') text.pop_back();
    if (text.back() == '.') text.pop_back();
  }
  return text == "-0" ? "0" : text;
}

}  // namespace dawnrig::base
