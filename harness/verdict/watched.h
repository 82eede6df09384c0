// A signal as its monitors see it: a chain of straight pieces, or of constant ones when windows are averaged.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include <cmath>
#include <cstdint>
#include <limits>
#include <string>
#include <utility>

#include "harness/trace/stretch.h"
#include "harness/verdict/figure.h"

namespace dawnrig::verdict {

/// The signal runs straight from `from_value` to `to_value`. A jump is a piece without duration.
struct Piece {
  Nanos from{0}, to{0};
  double from_value{0}, to_value{0};
  /// When the line passes `level`, which must lie between its ends.
  [[nodiscard]] Nanos crossing(double level) const;
};

/// The signal in a stretch: what all of its pieces have in common, the value from which the first of them goes on
/// included.
struct Whole {
  Nanos to{0};
  double duration_s{0};
  double lowest{0}, highest{0}, mean{0}, end_value{0};
  std::int64_t values{0};  ///< that are judged
};

/// Turns samples into pieces; every judged value is the `to_value` of exactly one piece that is no hold of an earlier
/// one.
class Watched {
 public:
  explicit Watched(const Watching& watching);

  /// Calls `on_piece(const Piece&)` for everything that `sample` completes. Allocates nothing.
  template <class OnPiece>
  void feed(const trace::Sample& sample, OnPiece&& on_piece) {
    const double value = sample[signal_] - minus_;
    finite_ = finite_ && std::isfinite(value);
    if (!finite_) return;
    if (!started_) {
      started_ = true;
      start_ = window_start_ = sample.time;
      pass_on({sample.time, sample.time, value, value}, on_piece);
    } else if (holds_) {
      pass_on({last_time_, sample.time, last_value_, last_value_}, on_piece);
      pass_on({sample.time, sample.time, last_value_, value}, on_piece);
    } else {
      pass_on({last_time_, sample.time, last_value_, value}, on_piece);
    }
    last_time_ = sample.time;
    last_value_ = value;
    if (average_over_ == Nanos{0}) ++judged_;
  }

  /// In place of feed() for each sample of a stretch, if nobody could tell the difference. Windows that are averaged
  /// tell of nothing as long as they last; without them, `takes(const Whole&)` has to know, and to do whatever its
  /// pieces would have done. False, and nothing happened: its samples are to be fed one by one.
  template <class Takes>
  [[nodiscard]] bool take(const trace::Stretch& stretch, Takes&& takes) {
    if (!goes_on(stretch)) return false;
    const Whole whole = whole_of(stretch);
    if (!std::isfinite(whole.lowest) || !std::isfinite(whole.highest) || !std::isfinite(whole.mean)) return false;
    if (averages()) {
      if (whole.to >= window_start_ + average_over_) return false;
      integral_ += whole.mean * whole.duration_s;
    } else {
      if (!takes(whole)) return false;
      judged_ += whole.values;
    }
    last_time_ = whole.to;
    last_value_ = whole.end_value;
    return true;
  }

  [[nodiscard]] Nanos start() const { return start_; }
  [[nodiscard]] Nanos end() const { return last_time_; }
  [[nodiscard]] double duration_s() const { return in_seconds(last_time_ - start_); }
  [[nodiscard]] std::int64_t judged() const { return judged_; }  ///< samples, or whole windows
  [[nodiscard]] bool averages() const { return average_over_ != Nanos{0}; }
  /// The figure, or not a number if a value of the signal was not finite.
  [[nodiscard]] Figure vouched(Figure figure) const {
    if (!finite_) figure.value = std::numeric_limits<double>::quiet_NaN();
    return figure;
  }
  /// The same, and the report may draw the limit over the signal.
  [[nodiscard]] Figure as_level(Figure figure) const {
    figure.level = Figure::Level{signal_, minus_};
    return vouched(std::move(figure));
  }
  [[nodiscard]] Figure::Line line(std::string label, double value) const {
    return {std::move(label), signal_, value + minus_};
  }
  /// A figure that every judged value exercises.
  [[nodiscard]] Figure over_judged(Figure figure) const {
    figure.exercised = judged_;
    if (judged_ == 0) figure.value = 0;
    return vouched(std::move(figure));
  }

 private:
  template <class OnPiece>
  void pass_on(Piece piece, OnPiece& on_piece) {
    if (average_over_ == Nanos{0}) {
      on_piece(static_cast<const Piece&>(piece));
      return;
    }
    while (piece.to >= window_start_ + average_over_) {
      const Nanos window_end = window_start_ + average_over_;
      add_until(piece, window_end);
      const double mean = integral_ / in_seconds(average_over_);
      integral_ = 0;
      ++judged_;
      on_piece(Piece{window_start_, window_end, mean, mean});
      window_start_ = window_end;
    }
    add_until(piece, piece.to);
  }
  void add_until(Piece& piece, Nanos until);
  [[nodiscard]] bool goes_on(const trace::Stretch& stretch) const {
    return started_ && finite_ && stretch.from() == last_time_ && stretch.duration() > Nanos{0};
  }
  [[nodiscard]] Whole whole_of(const trace::Stretch& stretch) const;

  trace::Signal signal_;
  double minus_;
  Nanos average_over_;
  bool holds_;
  bool started_{false}, finite_{true};
  Nanos start_{0}, last_time_{0}, window_start_{0};
  double last_value_{0}, integral_{0};
  std::int64_t judged_{0};
};

}  // namespace dawnrig::verdict
