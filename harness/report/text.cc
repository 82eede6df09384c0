#include "harness/report/text.h"

#include <algorithm>
#include <cmath>

#include "harness/verdict/wording.h"

namespace dawnrig::report {
namespace {

using verdict::decimals_for;
using verdict::with_unit;

constexpr const char* kDash = "–";

/// Digits that keep the figure from looking equal to a limit that it breaks.
int decimals_of(const Judged& judged) {
  int decimals = decimals_for(judged.limit.tolerance);
  if (!std::isfinite(judged.measured)) return decimals;
  for (const auto& bound : {judged.limit.lowest, judged.limit.highest}) {
    if (bound && judged.margin < 0) {
      decimals = std::max(decimals, verdict::decimals_to_tell_apart(judged.measured, *bound, decimals));
    }
  }
  return decimals;
}

std::string signed_number(double value, std::string_view unit, int decimals) {
  const std::string text = with_unit(value, unit, decimals);
  return text.starts_with("−") ? text : "+" + text;
}

bool same_but_for(const Device& a, const Device& b, bool site_counts) {
  return a.board_name == b.board_name && a.revision == b.revision && (!site_counts || a.site_name == b.site_name);
}

}  // namespace

bool has_margin(const Judged& judged) {
  return judged.verdict == Verdict::kPass || judged.verdict == Verdict::kFail;
}

std::string measured_text(const Judged& judged) {
  if (judged.exercised <= 0 || !std::isfinite(judged.measured)) return kDash;
  return with_unit(judged.measured, judged.limit.unit, decimals_of(judged));
}

std::string limit_text(const Judged& judged) {
  const auto& [lowest, highest, unit, tolerance] = judged.limit;
  const int decimals = decimals_of(judged);
  if (lowest && highest) return with_unit(*lowest, "1", decimals) + " to " + with_unit(*highest, unit, decimals);
  if (highest) return "at most " + with_unit(*highest, unit, decimals);
  if (lowest) return "at least " + with_unit(*lowest, unit, decimals);
  return kDash;
}

std::string margin_text(const Judged& judged) {
  if (!has_margin(judged)) return kDash;
  return signed_number(judged.margin, judged.limit.unit, decimals_of(judged));
}

std::string normalised_text(const Judged& judged) {
  if (!has_margin(judged)) return kDash;
  const int decimals = verdict::decimals_to_tell_apart(judged.margin_in_tolerances, 0, 1);
  return signed_number(judged.margin_in_tolerances, "1", decimals);
}

std::string device_name(const Device& device) {
  return device.board_name + ", revision " + device.revision;
}

std::string column_name(const Device& device, const Results& results) {
  const auto twins = [&](bool site_counts) {
    return std::count_if(results.devices.begin(), results.devices.end(),
                         [&](const Device& other) { return same_but_for(device, other, site_counts); });
  };
  const bool one_board = std::all_of(results.devices.begin(), results.devices.end(),
                                     [&](const Device& other) { return other.board_name == device.board_name; });
  std::string name = one_board ? "revision " + device.revision : device_name(device);
  if (twins(false) > 1) name += ", " + device.site_name;
  if (twins(true) > 1) name += ", image " + device.image.sha256.substr(0, 8);
  return name;
}

std::string capitalised(std::string_view text) {
  std::string out{text};
  if (!out.empty() && out[0] >= 'a' && out[0] <= 'z') out[0] = static_cast<char>(out[0] - 'a' + 'A');
  return out;
}

std::string as_sentence(std::string_view text) {
  if (text.empty()) return "";
  std::string sentence = capitalised(text);
  if (std::string_view{".!?"}.find(sentence.back()) == std::string_view::npos) sentence += '.';
  return sentence;
}

std::string span_text(double duration_s) {
  const auto total_s = static_cast<long long>(std::llround(duration_s));
  if (total_s < 60) return std::to_string(total_s) + " s";
  const long long minutes = total_s / 60;
  if (minutes < 60) return std::to_string(minutes) + " min " + std::to_string(total_s % 60) + " s";
  if (minutes < 48LL * 60) return std::to_string(minutes / 60) + " h " + std::to_string(minutes % 60) + " min";
  return std::to_string(minutes / (24LL * 60)) + " d " + std::to_string(minutes / 60 % 24) + " h";
}

}  // namespace dawnrig::report
