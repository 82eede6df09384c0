#include "harness/rig/realtime_lateness.h"

#include <algorithm>

#include "harness/base/text.h"

namespace dawnrig::rig {

namespace {

constexpr std::int64_t kFewestForAShare = 1000;

std::int64_t in_us(Nanos time) {
  return (time.count() + 999) / 1000;
}
std::string ms_text(Nanos time) {
  return base::number_text(static_cast<double>(time.count()) * 1e-6, 2) + " ms";
}

}  // namespace

void Lateness::add(Nanos late) {
  const auto bin = std::lower_bound(kEdges.begin(), kEdges.end(), in_us(late)) - kEdges.begin();
  ++count_[static_cast<std::size_t>(bin)];
  ++ticks_;
  worst_ = std::max(worst_, late);
}

std::int64_t Lateness::beyond(Nanos bound) const {
  std::int64_t sum = 0;
  for (std::size_t i = 0; i < kBins; ++i) {
    if (i > 0 && kEdges[i - 1] >= in_us(bound)) sum += count_[i];
  }
  return sum;
}

Nanos Lateness::quantile(double share_frac) const {
  const double wanted = share_frac * static_cast<double>(ticks_);
  double sum = 0;
  for (std::size_t i = 0; i + 1 < kBins; ++i) {
    sum += static_cast<double>(count_[i]);
    if (sum >= wanted) return std::min(worst_, Nanos{kEdges[i] * 1000});
  }
  return worst_;
}

std::string Lateness::broken(const LatenessBound& bound) const {
  if (worst_ > bound.never_beyond) {
    return "the rig was late: a tick came " + ms_text(worst_) + " after its time, " + ms_text(bound.never_beyond) +
           " are the most; let nothing else run on this machine, or allow real-time priority";
  }
  const std::int64_t late = beyond(bound.seldom_beyond);
  const double most = bound.seldom_frac * static_cast<double>(ticks_);
  if (ticks_ >= kFewestForAShare && static_cast<double>(late) > most) {
    return "the rig was late: " + std::to_string(late) + " of " + std::to_string(ticks_) + " ticks came more than " +
           ms_text(bound.seldom_beyond) + " after their time, " + base::number_text(100.0 * bound.seldom_frac, 3) +
           " % are the most; let nothing else run on this machine, or allow real-time priority";
  }
  return {};
}

std::string Lateness::text() const {
  const auto us = [](Nanos time) { return std::to_string(in_us(time)) + " us"; };
  std::string text = "lateness of " + std::to_string(ticks_) + " ticks: p50 " + us(quantile(0.5)) + ", p99 " +
                     us(quantile(0.99)) + ", p99.9 " + us(quantile(0.999)) + ", worst " + us(worst_) + ";";
  for (std::size_t i = 0; i < kBins; ++i) {
    if (count_[i] == 0) continue;
    text += i + 1 < kBins ? " <=" + std::to_string(kEdges[i]) : " >" + std::to_string(kEdges[kBins - 2]);
    text += "us " + std::to_string(count_[i]);
  }
  return text;
}

}  // namespace dawnrig::rig
