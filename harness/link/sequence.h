// What has become of numbered frames: lost, doubled, out of order. Room: harness/link. Uses the standard library only.
#pragma once

#include <cstdint>
#include <optional>

namespace dawnrig::link {

/// Follows sequence numbers that count up by one per frame and wrap at 2^16. A frame that comes late takes back the
/// loss that was counted for it, as far as the last 64 numbers; only the newest frame is worth acting on.
class SequenceWatch {
 public:
  enum class Kind : std::uint8_t {
    kNewest,     ///< the next one, or one beyond a gap
    kLate,       ///< overtaken by a newer one
    kDuplicate,  ///< seen already, or from before the first
    kRestarted,  ///< the second on end that is far off: the other side has begun to count anew
  };
  struct Counts {
    std::int64_t newest{0}, lost{0}, late{0}, duplicates{0}, restarts{0};
  };

  Kind see(std::uint16_t number);
  [[nodiscard]] const Counts& counts() const { return counts_; }
  [[nodiscard]] std::optional<std::uint16_t> newest() const { return newest_; }
  /// The next number may be anything: the line was cut.
  void restart();

 private:
  static constexpr int kWindow = 64;
  static constexpr int kRestartGap = 10'000;  // ten seconds at 1 kHz
  std::optional<std::uint16_t> newest_;
  std::uint64_t seen_{0};               // bit i: number newest - i has been seen
  std::optional<std::uint16_t> stray_;  // one that is far off; a single one may just be very late
  Counts counts_;
};

}  // namespace dawnrig::link
