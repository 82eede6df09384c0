// What host and interface board say to each other, as plain values: the schema is proto/board_link.proto, which also
// says what each field means. Here times are nanoseconds of the board's clock and lists have the lengths they must
// have. Room: harness/link. May use plant/core; Protocol Buffers in the .cc file.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string_view>
#include <variant>

namespace dawnrig::link {

inline constexpr std::size_t kChannels = 4;  ///< battery, panel, current, thermistor
inline constexpr std::size_t kMostSerialOut = 32;
inline constexpr std::size_t kMostSerialIn = 16;
inline constexpr std::uint32_t kLinkVersion = 1;  ///< the BoardLinkVersion that this host speaks

[[nodiscard]] std::string_view channel_name(std::size_t channel);

/// Bytes in place, none on the heap.
template <std::size_t kMost>
struct ShortBytes {
  std::array<std::uint8_t, kMost> bytes{};
  std::size_t size{0};
  [[nodiscard]] std::span<const std::uint8_t> view() const { return {bytes.data(), size}; }
};

/// Converter codes of a channel while the gate is on and while it is off.
struct LevelCodes {
  std::uint16_t on_lsb{0}, off_lsb{0};
};

// --- to the board ----------------------------------------------------------------------------------------------------

struct Tick {
  std::uint16_t sequence{0};
  std::uint32_t hold_from_ticks{0};  ///< half microseconds of the board
  std::optional<std::array<LevelCodes, kChannels>> levels;
  std::uint32_t lines{0};
  ShortBytes<kMostSerialOut> device_serial;
};
enum class Question : std::uint8_t { kIdentity = 1, kCalibration = 2, kHealth = 3, kSelfTest = 4, kSafe = 5 };
struct Ask {
  Question question{Question::kIdentity};
};
struct Configure {
  std::uint32_t link_version{kLinkVersion};
  std::uint32_t gates_used{1}, gates_active_low{0}, selecting_gate{1};
  std::uint32_t two_level_channels{0}, connected_channels{0};
  std::array<std::uint16_t, kChannels> safe_lsb{};
  bool hold_outputs_when_safe{false};
  std::uint32_t safe_lines{0};
  std::uint32_t device_baud{0};
};

/// How codes and voltages belong together.
struct OutputCalibration {
  std::int32_t zero_uv{0};
  std::uint32_t span_uv{0};
  std::int32_t bow_uv{0};
};
struct ReadbackCalibration {
  std::int32_t zero_uv{0};
  std::uint32_t span_uv{0};
};
inline constexpr std::size_t kOutputs = 8;    ///< per channel gate off, then gate on
inline constexpr std::size_t kReadbacks = 6;  ///< the four channels, the device's supply, half of the reference
struct Calibration {
  std::uint32_t serial_number{0}, calibrated_day{0};
  std::int32_t board_mdegc{0};
  std::uint32_t uncertainty_uv{0};
  std::array<OutputCalibration, kOutputs> output{};
  std::array<ReadbackCalibration, kReadbacks> readback{};
  bool valid{false};
};

using ToBoard = std::variant<Tick, Ask, Configure, Calibration>;

// --- from the board --------------------------------------------------------------------------------------------------

struct GateReport {
  std::uint32_t edges{0};  ///< modulo 65536
  std::uint32_t on_ticks{0};
  std::uint32_t last_edge_ticks{0};
  std::uint32_t on_pulse_ticks{0}, longest_period_ticks{0}, shortest_period_ticks{0};
  bool on{false}, is_static{false};
  std::uint32_t glitches{0}, lost_edges{0};
};
struct Report {
  std::uint16_t sequence{0};
  std::uint32_t at_ticks{0};
  std::uint16_t host_sequence{0}, applied_sequence{0};
  std::array<std::optional<GateReport>, 2> gate;
  std::uint32_t pins{0};
  std::uint32_t safe_cause{0};
  std::uint32_t readback_input{0}, readback_lsb{0};
  bool readback_gate_on{false};
  ShortBytes<kMostSerialIn> device_serial;
};
struct Identity {
  std::uint32_t link_version{0}, firmware_version{0}, serial_number{0}, calibrated_day{0};
  bool calibration_valid{false};
  std::uint32_t reset_cause{0}, safe_cause{0};
};
struct Configured {
  bool accepted{false};
  std::uint32_t wrong_field{0}, board_link_version{0}, host_link_version{0};
};
struct Health {
  std::uint32_t frames_taken{0}, frames_broken{0}, messages_refused{0}, ticks_repeated{0}, ticks_missing{0},
      ticks_late{0}, ticks_too_early{0}, bytes_lost{0}, reports_skipped{0}, busiest_tick_cycles{0},
      serial_bytes_lost{0};
};
struct SelfTest {
  bool refused{false}, passed{false};
  /// Per channel at three codes: sixteen read-backs added up, gate off and gate on.
  struct Readback {
    std::uint16_t off_sum{0}, on_sum{0};
  };
  std::array<std::array<Readback, 3>, kChannels> readback{};
  std::array<std::uint32_t, kChannels> settled_ns{};
  std::array<std::uint32_t, 2> pattern_on_ticks{}, pattern_period_ticks{};
  std::uint32_t pattern_true_on_ticks{0}, pattern_true_period_ticks{0};
  std::uint32_t failures{0};
};

using FromBoard = std::variant<Report, Identity, Configured, Calibration, Health, SelfTest>;

// --- lines and pins --------------------------------------------------------------------------------------------------

namespace line {
inline constexpr std::uint32_t kOutputs = 1, kSupply = 2, kReset = 4, kBootSelect = 8, kFaultRelay = 16, kSerial = 32;
}
namespace pin {
inline constexpr std::uint32_t kLoad1 = 1, kLoad2 = 2, kFault = 4, kSupplyGood = 32, kOutputsConnected = 64,
                               kSupplyOn = 128, kResetHeld = 256;
}

/// In words, for messages: "no valid frame for 100 ms".
[[nodiscard]] std::string_view safe_cause_text(std::uint32_t cause);

/// Between these values and the bytes of a frame's payload. After its construction neither direction allocates.
class MessageCodec {
 public:
  MessageCodec();
  ~MessageCodec();
  MessageCodec(const MessageCodec&) = delete;
  MessageCodec& operator=(const MessageCodec&) = delete;

  /// How many bytes of `into` the message takes; 0: it does not fit.
  [[nodiscard]] std::size_t encode(const ToBoard& message, std::span<std::uint8_t> into);
  /// nullopt: no message, one of a kind this host does not know, or a list of a length it must not have.
  [[nodiscard]] std::optional<FromBoard> decode(std::span<const std::uint8_t> payload);

  // The board's side of the same, for whoever stands in for a board.
  [[nodiscard]] std::size_t encode(const FromBoard& message, std::span<std::uint8_t> into);
  [[nodiscard]] std::optional<ToBoard> decode_to_board(std::span<const std::uint8_t> payload);

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::link
