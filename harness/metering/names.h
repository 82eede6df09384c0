// Names for generated C.
// Room: harness/metering. May use the standard library only.
#pragma once

#include <cctype>
#include <string>

namespace dawnrig::metering {

/// Lower case; whatever no identifier may hold becomes '_'.
[[nodiscard]] inline std::string identifier(const std::string& text) {
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    out += std::isalnum(byte) != 0 ? static_cast<char>(std::tolower(byte)) : '_';
  }
  return out;
}
[[nodiscard]] inline std::string upper_identifier(const std::string& text) {
  std::string out = identifier(text);
  for (char& c : out) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return out;
}

}  // namespace dawnrig::metering
