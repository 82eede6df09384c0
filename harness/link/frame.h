// Frames on the wire between host and interface board: a payload and its CRC, stuffed so that a zero byte ends a frame
// and occurs nowhere else. Room: harness/link. Uses the standard library; Boost in the .cc file.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

namespace dawnrig::link {

/// Payload and CRC together, before stuffing: a block of consistent-overhead byte stuffing never has to be split.
inline constexpr std::size_t kMostFrameBytes = 250;
inline constexpr std::size_t kCrcBytes = 2;
inline constexpr std::size_t kMostPayloadBytes = kMostFrameBytes - kCrcBytes;
/// On the wire: one byte of overhead, one that ends the frame.
inline constexpr std::size_t kMostWireBytes = kMostFrameBytes + 2;

/// CRC-16 with polynomial 0x1021, start value 0xFFFF, nothing reflected, nothing inverted at the end. The nine digits
/// "123456789" give 0x29B1.
[[nodiscard]] std::uint16_t crc_of(std::span<const std::uint8_t> bytes);

/// A frame ready for the wire.
struct WireFrame {
  std::array<std::uint8_t, kMostWireBytes> bytes{};
  std::size_t size{0};
  [[nodiscard]] std::span<const std::uint8_t> view() const { return {bytes.data(), size}; }
};

/// nullopt: the payload is longer than kMostPayloadBytes.
[[nodiscard]] std::optional<WireFrame> framed(std::span<const std::uint8_t> payload);

/// What a line has delivered so far.
struct FrameCounts {
  std::int64_t good{0};
  std::int64_t bad_crc{0};
  std::int64_t bad_stuffing{0};  ///< ended in the middle of a block
  std::int64_t too_short{0};     ///< no room for a payload beside the CRC
  std::int64_t too_long{0};      ///< no zero came in time
  [[nodiscard]] std::int64_t bad() const { return bad_crc + bad_stuffing + too_short + too_long; }
};

/// Takes a line byte by byte and finds the frames in it. Whatever came before, the first zero byte puts it in step
/// again, so garbage and losses cost the frames they touch and no others. Never allocates.
class FrameDecoder {
 public:
  /// The payload of a frame that `byte` has just completed; valid until the next call. Two zero bytes on end are no
  /// frame and no fault: a sender may begin with a zero to end whatever noise stood on the line.
  [[nodiscard]] std::optional<std::span<const std::uint8_t>> take(std::uint8_t byte);
  /// Forgets a frame that has begun, as after a cable was pulled. The counts stay.
  void restart();
  [[nodiscard]] const FrameCounts& counts() const { return counts_; }

 private:
  [[nodiscard]] std::optional<std::span<const std::uint8_t>> ended();

  std::array<std::uint8_t, kMostWireBytes> raw_{};
  std::size_t size_{0};
  bool overlong_{false};
  FrameCounts counts_;
};

}  // namespace dawnrig::link
