// How much energy stands behind a run on a bench: the rungs of a ladder that a new build goes up one by one.
// Room: harness/base. May use the standard library only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace dawnrig::base {

enum class EnergyLevel : std::uint8_t { kSenseOnly = 1, kLimitedSupply = 2, kRealBattery = 3 };

inline constexpr std::array<std::string_view, 3> kEnergyLevels{"sense-only", "limited-supply", "real-battery"};

/// As written on a command line.
[[nodiscard]] inline std::string_view text_of(EnergyLevel level) {
  return kEnergyLevels[static_cast<std::size_t>(level) - 1];
}
[[nodiscard]] inline std::optional<EnergyLevel> energy_level_named(std::string_view name) {
  for (std::size_t i = 0; i < kEnergyLevels.size(); ++i) {
    if (kEnergyLevels[i] == name) return static_cast<EnergyLevel>(i + 1);
  }
  return std::nullopt;
}
/// Of a file's field; what is not written is the lowest.
[[nodiscard]] inline EnergyLevel energy_level_of(int written) {
  return written < 1 || written > 3 ? EnergyLevel::kSenseOnly : static_cast<EnergyLevel>(written);
}

}  // namespace dawnrig::base
