#include "harness/trace/interval_stats.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::trace {

void IntervalStats::open(Nanos start) {
  row_.start = start;
  end_ = start + interval_;
  covered_ns_ = 0.0;
  low_.fill(std::numeric_limits<double>::infinity());
  high_.fill(-std::numeric_limits<double>::infinity());
  area_.fill(0.0);
}

void IntervalStats::add_piece(const Sample& a, const Sample& b) {
  if (b.time <= a.time) return;
  const double piece_ns = static_cast<double>((b.time - a.time).count());
  covered_ns_ += piece_ns;
  const double half_ns = 0.5 * piece_ns;
  // In locals, which no member may be, and loop by loop: so the compiler takes several signals at a time.
  const std::array<double, kSignalCount> from = a.value;
  std::array<double, kSignalCount> to = b.value;
  for (const std::size_t i : kHeld) to[i] = from[i];
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    const double lower = to[i] < from[i] ? to[i] : from[i];
    low_[i] = lower < low_[i] ? lower : low_[i];
  }
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    const double higher = from[i] < to[i] ? to[i] : from[i];
    high_[i] = high_[i] < higher ? higher : high_[i];
  }
  for (std::size_t i = 0; i < kSignalCount; ++i) area_[i] += (from[i] + to[i]) * half_ns;
}

bool IntervalStats::advance(const Stretch& stretch) {
  // A sample on the boundary ends the interval.
  if (!started_ || stretch.from() != last_.time || stretch.end().time >= end_ || stretch.duration() <= Nanos{0}) {
    return false;
  }
  const Stretch::Values& lowest = stretch.lowest();
  const Stretch::Values& highest = stretch.highest();
  const Stretch::Values& mean = stretch.mean();
  for (std::size_t i = 0; i < kSignalCount; i += 2) {
    if (std::isunordered(mean[i], mean[std::min(i + 1, kSignalCount - 1)])) return false;
  }
  const double duration_ns = static_cast<double>(stretch.duration().count());
  covered_ns_ += duration_ns;
  for (std::size_t i = 0; i < kSignalCount; ++i) low_[i] = lowest[i] < low_[i] ? lowest[i] : low_[i];
  for (std::size_t i = 0; i < kSignalCount; ++i) high_[i] = high_[i] < highest[i] ? highest[i] : high_[i];
  for (std::size_t i = 0; i < kSignalCount; ++i) area_[i] += mean[i] * duration_ns;
  last_ = stretch.end();
  return true;
}

const IntervalRow& IntervalStats::row() {
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    // Nothing but values that are not numbers: say so rather than make one up.
    if (!(low_[i] <= high_[i])) low_[i] = high_[i] = area_[i] = std::numeric_limits<double>::quiet_NaN();
    // Clamped: the sum of many pieces may end a rounding beyond the extremes. Rounding to float keeps the order.
    const double mean = std::min(std::max(area_[i] / covered_ns_, low_[i]), high_[i]);
    row_.min[i] = static_cast<float>(low_[i]);
    row_.mean[i] = static_cast<float>(mean);
    row_.max[i] = static_cast<float>(high_[i]);
  }
  return row_;
}

}  // namespace dawnrig::trace
