// The board's clock as the host sees it: a counter that wraps, and where it stands against the host's own clock.
// Room: harness/link. May use plant/core.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>

#include "plant/core/time.h"

namespace dawnrig::link {

/// Extends a 32-bit counter of half microseconds to 64 bit. It wraps after 35.8 minutes; stamps may come out of order
/// by up to half of that.
class CounterUnwrapper {
 public:
  /// Time since the counter's own zero before the first stamp.
  [[nodiscard]] Nanos extended(std::uint32_t half_us);
  void restart() { last_.reset(); }

 private:
  std::optional<std::int64_t> last_;
};

/// The counter that stands for a time, as it will read when that time comes.
[[nodiscard]] std::uint32_t counter_at(Nanos time);

/// Where two clocks stand against one another, from pairs of stamps: sent by the board's clock, received by the host's.
///
///     received = sent + offset + drift * sent + delay,   delay >= 0 and sometimes least
///
/// Delays only ever add, so each window of a quarter second keeps the pair that was delayed least, and the line through
/// the last 32 of those is what counts: its slope by least squares is the drift, and it is lowered until no pair lies
/// below it. The least delay itself cannot be told from an offset, and is part of it. Never allocates. Source: the
/// lower envelope of one-way delays, as in the literature on clock skew. Held by tests/link/board_clock_test.cc.
class ClockEstimator {
 public:
  void add(Nanos sent_by_board, Nanos received_by_host);
  /// At least four windows have passed.
  [[nodiscard]] bool settled() const { return count_ >= 4; }
  /// When the host, at the earliest, would have received what the board sent at `board`.
  [[nodiscard]] Nanos host_at(Nanos board) const;
  /// What the board's clock reads when the host's reads `host`, as seen through the least delay: never ahead of the
  /// truth but for the estimate's own error.
  [[nodiscard]] Nanos board_at(Nanos host) const;
  /// By how much the board's clock is slow; 1e-6 is one microsecond per second.
  [[nodiscard]] double drift_s_per_s() const { return drift_s_per_s_; }
  /// Of the latest pair, beyond the least one.
  [[nodiscard]] Nanos latest_delay() const { return latest_delay_; }
  void restart();

 private:
  struct Pair {
    Nanos sent{0};
    Nanos gap{0};  // received - sent
  };
  void close_window();
  void fit();
  [[nodiscard]] Nanos gap_at(Nanos board) const;

  static constexpr Nanos kWindow{250'000'000};
  static constexpr std::size_t kWindows = 32;
  std::array<Pair, kWindows> least_{};
  std::size_t next_{0}, count_{0};
  std::optional<Pair> open_;
  Nanos open_since_{0};
  Pair origin_;  // the line goes through here
  bool has_line_{false};
  double drift_s_per_s_{0};
  Nanos latest_delay_{0};
};

/// Least, mean and most of a duration that is measured over and over.
struct DurationStats {
  void add(Nanos duration);
  [[nodiscard]] Nanos mean() const { return count == 0 ? Nanos{0} : Nanos{sum.count() / count}; }
  std::int64_t count{0};
  Nanos least{0}, most{0}, sum{0};
};

}  // namespace dawnrig::link
