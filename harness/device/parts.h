// What the supported microcontrollers have: memory sizes, pins, ADC inputs.
// Room: harness/device. Uses nothing else.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace dawnrig::device {

/// What a part has, for checks of profiles. nullopt: a part this rig does not know.
struct PartFacts {
  std::size_t flash_bytes{}, sram_bytes{}, eeprom_bytes{};
  int adc_channels{};
};
[[nodiscard]] std::optional<PartFacts> facts_of(std::string_view part);
[[nodiscard]] std::vector<std::string> known_parts();

/// A port pin, "PB1".
struct Pin {
  char port{'B'};
  int bit{0};
  friend bool operator==(const Pin&, const Pin&) = default;
};
/// nullopt: not a pin of the part.
[[nodiscard]] std::optional<Pin> pin_named(std::string_view part, std::string_view name);
/// ADC channel number of "ADC0".."ADC15" or "PC0"-style names; nullopt: not an ADC input of the part.
[[nodiscard]] std::optional<int> adc_channel_named(std::string_view part, std::string_view name);

}  // namespace dawnrig::device
