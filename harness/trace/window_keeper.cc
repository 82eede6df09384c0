#include "harness/trace/window_keeper.h"

#include <algorithm>
#include <utility>

#include "harness/trace/between.h"

namespace dawnrig::trace {
namespace {

constexpr std::size_t kPieceSamples = 1024;
constexpr std::int64_t kLeastRing = 2048;
constexpr std::int64_t kMostRing = 16384;
constexpr std::int64_t kRingStepNs = 10'000;

}  // namespace

WindowKeeper::WindowKeeper(Nanos reach, Write write)
    : reach_{reach},
      write_{std::move(write)},
      ring_(static_cast<std::size_t>(std::clamp(reach.count() / kRingStepNs, kLeastRing, kMostRing))) {
  time_ns_.reserve(kPieceSamples);
  value_.reserve(kPieceSamples * kSignalCount);
}

void WindowKeeper::add(const Sample& sample) {
  if (is_open_) {
    if (starts_at_) {
      if (sample.time > *starts_at_) append(between(remembered(0), sample, *starts_at_));
      if (sample.time >= *starts_at_) starts_at_.reset();
    }
    if (sample.time > open_until_) {
      if (count_ > 0 && remembered(0).time < open_until_) append(between(remembered(0), sample, open_until_));
      is_open_ = false;
    } else if (!starts_at_) {
      append(sample);
    }
  }
  remember(sample);
}

void WindowKeeper::add(const Stretch& stretch) {
  // Without reach, a window is what there is at the event's own instant; that is not before the latest sample.
  if (reach_ == Nanos{0} && !is_open_) {
    remember(stretch.end());
    return;
  }
  for (const Sample& sample : stretch.samples()) add(sample);
}

void WindowKeeper::trigger(Nanos time) {
  const bool was_open = is_open_;
  open_until_ = std::max(open_until_, time + reach_);
  is_open_ = true;
  if (!was_open) open(time - reach_);
}

void WindowKeeper::open(Nanos from) {
  const bool touches = has_kept_ && from <= kept_until_;
  // What is to be had from the ring: everything since `from`, or since what has been kept already.
  std::size_t wanted = 0;
  const auto is_wanted = [&](const Sample& s) { return touches ? s.time > kept_until_ : s.time >= from; };
  while (wanted < count_ && is_wanted(remembered(wanted))) ++wanted;
  // A ring wanted to its last sample may have lost some before that; a line across the gap would be an invention.
  const bool has_gap = touches && wanted == ring_.size();
  if (!touches || has_gap) {
    flush();
    continues_ = false;
  }
  if (!touches && wanted < count_) {
    if (wanted == 0) {
      starts_at_ = from;
    } else if (remembered(wanted - 1).time > from) {
      append(between(remembered(wanted), remembered(wanted - 1), from));
    }
  }
  while (wanted > 0) append(remembered(--wanted));
}

void WindowKeeper::append(const Sample& sample) {
  if (time_ns_.size() == kPieceSamples) flush();
  time_ns_.push_back(sample.time.count());
  for (const double value : sample.value) value_.push_back(static_cast<float>(value));
  kept_until_ = sample.time;
  has_kept_ = true;
}

void WindowKeeper::flush() {
  if (time_ns_.empty()) return;
  write_({time_ns_, value_, continues_});
  continues_ = true;
  time_ns_.clear();
  value_.clear();
}

void WindowKeeper::remember(const Sample& sample) {
  ring_[next_] = sample;
  if (++next_ == ring_.size()) next_ = 0;
  count_ = std::min(count_ + 1, ring_.size());
}

const Sample& WindowKeeper::remembered(std::size_t age) const {
  return ring_[(next_ + ring_.size() - 1 - age) % ring_.size()];
}

}  // namespace dawnrig::trace
