// How late the ticks of a loop were: a histogram, and when it is too much for a run to be believed.
// Room: harness/rig. May use plant/core.
#pragma once

#include <array>
#include <cstdint>
#include <string>

#include "plant/core/time.h"

namespace dawnrig::rig {

/// What a run may have and still be vouched for. The board holds its levels over a late tick, so one that is a little
/// late does no harm.
struct LatenessBound {
  Nanos never_beyond{5'000'000};
  Nanos seldom_beyond{2'000'000};
  double seldom_frac{0.001};  ///< of all ticks
};

class Lateness {
 public:
  void add(Nanos late);
  [[nodiscard]] std::int64_t ticks() const { return ticks_; }
  [[nodiscard]] Nanos worst() const { return worst_; }
  [[nodiscard]] std::int64_t beyond(Nanos bound) const;  ///< exact at the edges of the histogram's bins
  /// The least edge of a bin that such a share of all ticks kept.
  [[nodiscard]] Nanos quantile(double share_frac) const;
  /// In a sentence, why the run cannot be trusted; empty: it can. A share is judged from 1000 ticks on.
  [[nodiscard]] std::string broken(const LatenessBound& bound) const;
  /// "lateness of 60000 ticks: p50 20 us, p99 50 us, p99.9 200 us, worst 1066 us; <=10us 12, <=20us 35, ..."
  [[nodiscard]] std::string text() const;

 private:
  static constexpr std::size_t kBins = 16;
  /// Upper edges in microseconds; the last bin has none.
  static constexpr std::array<std::int64_t, kBins - 1> kEdges{5,    10,   20,    50,    100,   200,    500,    1000,
                                                              2000, 5000, 10000, 20000, 50000, 100000, 1000000};
  std::array<std::int64_t, kBins> count_{};
  std::int64_t ticks_{0};
  Nanos worst_{0};
};

}  // namespace dawnrig::rig
