// Minimum, time-weighted mean and maximum of every signal over equal intervals of time.
// Room: harness/trace. May use plant/core.
#pragma once

#include <limits>

#include "harness/trace/between.h"
#include "harness/trace/signal.h"
#include "harness/trace/stretch.h"

namespace dawnrig::trace {

/// One interval, done with. Where the run began or ended inside it, the figures are of the part it covered.
struct IntervalRow {
  Nanos start{0};
  std::array<float, kSignalCount> min{}, mean{}, max{};  ///< min <= mean <= max, also after rounding to float
};

/// Takes samples in order of time. What is true for no time at all (all but the last of several samples at one time)
/// counts neither for the extremes nor for the mean. Never allocates.
class IntervalStats {
 public:
  explicit IntervalStats(Nanos interval) : interval_{interval} {}

  /// Calls `on_row(const IntervalRow&)` for each interval that `sample` shows to be over.
  template <class OnRow>
  void advance(const Sample& sample, OnRow&& on_row) {
    if (!started_) {
      started_ = true;
      open(sample.time / interval_ * interval_);
      last_ = sample;
      return;
    }
    while (sample.time >= end_) {
      const Sample boundary = between(last_, sample, end_);
      add_piece(last_, boundary);
      on_row(row());
      last_ = boundary;
      open(end_);
    }
    add_piece(last_, sample);
    last_ = sample;
  }

  /// Advances by a whole stretch, for what a sample or two cost. False, and nothing happened: an interval ends in it,
  /// it goes on from elsewhere, or something in it is not a number; then its samples are to be taken one by one.
  [[nodiscard]] bool advance(const Stretch& stretch);

  /// Calls `on_row` for the interval that is not over yet, if any of it has passed. Not to be advanced afterwards.
  template <class OnRow>
  void finish(OnRow&& on_row) {
    if (covered_ns_ > 0.0) on_row(row());
    covered_ns_ = 0.0;
  }

  [[nodiscard]] bool started() const { return started_; }
  [[nodiscard]] const Sample& last() const { return last_; }

 private:
  void open(Nanos start);
  void add_piece(const Sample& a, const Sample& b);
  [[nodiscard]] const IntervalRow& row();

  Nanos interval_;
  Nanos end_{0};
  bool started_{false};
  Sample last_;
  double covered_ns_{0.0};
  std::array<double, kSignalCount> low_{}, high_{}, area_{};  // area: value times nanoseconds
  IntervalRow row_;
};

}  // namespace dawnrig::trace
