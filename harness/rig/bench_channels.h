// Which voltage each output of the interface board has to carry, and the converter code that gives it.
// Room: harness/rig. May use plant, harness/link, harness/profile.
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "harness/link/message.h"
#include "harness/profile/profile.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

/// Volts of an output against its converter code: volts = zero + span x + bow 4 x (1 - x), x = code / 65535.
[[nodiscard]] double output_v(const link::OutputCalibration& output, std::uint16_t code_lsb);
/// The code whose voltage is nearest; at the ends of the range the end.
[[nodiscard]] std::uint16_t output_code(const link::OutputCalibration& output, double wanted_v);
/// Volts of a read-back: zero + span * code / 1024.
[[nodiscard]] double readback_v(const link::ReadbackCalibration& readback, double code_lsb);

/// A level for the gate switched on and one for it switched off, at the outputs, in volts.
struct ChannelLevels {
  std::array<double, link::kChannels> on_v{}, off_v{};
};

/// Where an output is joined to the device.
enum class Injection : std::uint8_t {
  kBeforeFilter,  ///< in place of the divider, through its resistance: the pin's own capacitor still filters
  kAtPin,         ///< straight at the pin, whose capacitor is overruled: the plant reckons the filter
};

/// The board's four outputs and which sense channel of the profile each of them stands for.
class ChannelMap {
 public:
  /// Throws base::BadInput if the profile has a channel that the interface board has no output for.
  ChannelMap(const profile::BoardProfile& board, Injection injection);

  /// Index into BoardProfile::sense of each output; nullopt: not connected.
  [[nodiscard]] const std::array<std::optional<std::size_t>, link::kChannels>& sense() const { return sense_; }
  [[nodiscard]] std::uint32_t connected() const;  ///< a sum of 1 << channel
  /// Those whose voltage jumps with the gate.
  [[nodiscard]] std::uint32_t two_level() const;
  /// What each output should carry at an instant of the plant. 0 for what is not connected.
  [[nodiscard]] std::array<double, link::kChannels> carried_v(const plant::CircuitState& state,
                                                              const plant::Probes& probes,
                                                              const plant::Conditions& conditions) const;
  /// What a device sees of a full battery in the dark, in volts: it stops charging whatever else it does.
  [[nodiscard]] std::array<double, link::kChannels> safe_v(const profile::BoardProfile& board) const;

 private:
  std::array<std::optional<std::size_t>, link::kChannels> sense_;
  std::array<std::optional<plant::SenseChannel>, link::kChannels> network_;
  Injection injection_;
};

}  // namespace dawnrig::rig
