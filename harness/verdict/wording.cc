#include "harness/verdict/wording.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

namespace dawnrig::verdict {
namespace {

constexpr int kMostDecimals = 9;

// std::to_chars and not printf: the decimal point must not depend on the locale.
std::string fixed(double value, int decimals) {
  if (!std::isfinite(value)) return "not a number";
  std::array<char, 400> text{};
  const auto end = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, decimals).ptr;
  std::string out{text.data(), end};
  const bool zero = out.find_first_not_of("-0.") == std::string::npos;
  if (out.front() == '-') out.replace(0, 1, zero ? "" : "−");
  return out;
}

std::string compact(double value) {
  constexpr int kDigits = 6;
  std::array<char, 40> text{};
  const auto end =
      std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::general, kDigits).ptr;
  return {text.data(), end};
}

}  // namespace

std::string_view words_for(trace::Signal signal) {
  using enum trace::Signal;
  switch (signal) {
    case kTerminalV:
      return "terminal voltage";
    case kBusV:
      return "bus voltage";
    case kBatteryA:
      return "battery current";
    case kPanelV:
      return "panel voltage";
    case kPanelA:
      return "panel current";
    case kLoadV:
      return "load voltage";
    case kLoadA:
      return "load current";
    case kGate:
      return "charging switch";
    case kLoadSwitch:
      return "load switch";
    case kPoaWpm2:
      return "irradiance";
    case kBatteryDegc:
      return "battery temperature";
    case kCellDegc:
      return "cell temperature";
    case kSocFrac:
      return "state of charge";
    case kGassingA:
      return "gassing current";
    case kSense0V:
      return "sense pin 1";
    case kSense1V:
      return "sense pin 2";
    case kSense2V:
      return "sense pin 3";
    case kSense3V:
      return "sense pin 4";
    case kFault:
      return "fault output";
    case kHeatSinkDegc:
      return "heat sink temperature";
    case kCount:
      break;
  }
  return "unknown signal";
}

std::string words_for(const Watching& watching) {
  std::string words{words_for(watching.signal)};
  if (watching.minus != 0) {
    const std::string unit = printed_unit(trace::unit_of(watching.signal));
    words += " minus " + compact(watching.minus) + (unit.empty() ? "" : " " + unit);
  }
  if (watching.average_over != Nanos{0}) words += " averaged over " + printed_duration(watching.average_over);
  return words;
}

std::string printed_unit(std::string_view unit) {
  if (unit == "1" || unit == "count") return "";
  if (unit == "degC") return "°C";
  if (unit == "W/m2") return "W/m²";
  if (unit == "ohm") return "Ω";
  if (unit == "mohm") return "mΩ";
  if (unit == "kohm") return "kΩ";
  if (unit == "us") return "µs";
  if (unit == "uV") return "µV";
  if (unit == "uA") return "µA";
  return std::string{unit};
}

int decimals_for(double tolerance) {
  if (!(tolerance > 0) || !std::isfinite(tolerance)) return 3;
  int decimals = 0;
  double step = 1;
  // 1.0001: a tolerance such as 0.1 is no exact binary number.
  while (step > tolerance / 10 * 1.0001 && decimals < kMostDecimals) {
    step /= 10;
    ++decimals;
  }
  return decimals;
}

int decimals_to_tell_apart(double a, double b, int decimals) {
  if (a == b) return decimals;
  while (decimals < kMostDecimals && fixed(a, decimals) == fixed(b, decimals)) ++decimals;
  return decimals;
}

std::string with_unit(double value, std::string_view unit, int decimals) {
  const std::string printed = printed_unit(unit);
  // Counts are whole, unless they are shares or means of counts.
  if (unit == "count" && value == std::floor(value)) decimals = 0;
  return fixed(value, decimals) + (printed.empty() ? "" : " " + printed);
}

std::string printed_time(Nanos time) {
  const double time_s = in_seconds(time);
  std::string text = fixed(time_s, 3) + " s";
  constexpr double kTenMinutes = 600;
  if (time_s >= kTenMinutes) {
    const auto minutes = static_cast<long long>(time_s / 60);
    const std::string rest = std::to_string(minutes % 60);
    text += " (" + std::to_string(minutes / 60) + " h " + (rest.size() < 2 ? "0" : "") + rest + " min)";
  }
  return text;
}

std::string printed_duration(Nanos duration) {
  const double duration_s = in_seconds(duration);
  if (duration_s >= 1) return compact(duration_s) + " s";
  if (duration_s >= 1e-3) return compact(duration_s * 1e3) + " ms";
  return compact(duration_s * 1e6) + " µs";
}

}  // namespace dawnrig::verdict
