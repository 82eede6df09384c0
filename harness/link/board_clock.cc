#include "harness/link/board_clock.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::link {

namespace {

constexpr std::int64_t kNanosPerCount = 500;

Nanos scaled(Nanos duration, double by_s_per_s) {
  return Nanos{std::llround(static_cast<double>(duration.count()) * by_s_per_s)};
}

}  // namespace

Nanos CounterUnwrapper::extended(std::uint32_t half_us) {
  if (!last_) {
    last_ = half_us;
  } else {
    const auto low = static_cast<std::uint32_t>(*last_);
    *last_ += static_cast<std::int32_t>(half_us - low);
  }
  return Nanos{*last_ * kNanosPerCount};
}

std::uint32_t counter_at(Nanos time) {
  return static_cast<std::uint32_t>(time.count() / kNanosPerCount);
}

void ClockEstimator::restart() {
  *this = ClockEstimator{};
}

void ClockEstimator::add(Nanos sent_by_board, Nanos received_by_host) {
  const Pair pair{sent_by_board, received_by_host - sent_by_board};
  if (!open_) {
    open_ = pair;
    open_since_ = sent_by_board;
  } else if (sent_by_board - open_since_ >= kWindow) {
    close_window();
    open_ = pair;
    open_since_ = sent_by_board;
  } else if (pair.gap < open_->gap) {
    open_ = pair;
  }
  if (!has_line_ || pair.gap < gap_at(pair.sent)) {
    origin_ = pair;
    has_line_ = true;
  }
  latest_delay_ = pair.gap - gap_at(pair.sent);
}

void ClockEstimator::close_window() {
  least_[next_] = *open_;
  next_ = (next_ + 1) % kWindows;
  count_ = std::min(count_ + 1, kWindows);
  fit();
}

void ClockEstimator::fit() {
  const Nanos reference = least_[(next_ + kWindows - 1) % kWindows].sent;
  const Nanos level = least_[(next_ + kWindows - 1) % kWindows].gap;
  double n = 0;
  double sx = 0;
  double sy = 0;
  double sxx = 0;
  double sxy = 0;
  for (std::size_t i = 0; i < count_; ++i) {
    const double x = in_seconds(least_[i].sent - reference);
    const double y = in_seconds(least_[i].gap - level);
    n += 1;
    sx += x;
    sy += y;
    sxx += x * x;
    sxy += x * y;
  }
  const double spread = n * sxx - sx * sx;
  drift_s_per_s_ = count_ >= 4 && spread > 0 ? (n * sxy - sx * sy) / spread : 0.0;
  origin_ = {reference, level};
  for (std::size_t i = 0; i < count_; ++i) {
    if (least_[i].gap < gap_at(least_[i].sent)) {
      origin_ = least_[i];
    }
  }
}

Nanos ClockEstimator::gap_at(Nanos board) const {
  return origin_.gap + scaled(board - origin_.sent, drift_s_per_s_);
}

Nanos ClockEstimator::host_at(Nanos board) const {
  return board + gap_at(board);
}

Nanos ClockEstimator::board_at(Nanos host) const {
  const Nanos since = host - origin_.sent - origin_.gap;
  return origin_.sent + Nanos{std::llround(static_cast<double>(since.count()) / (1.0 + drift_s_per_s_))};
}

void DurationStats::add(Nanos duration) {
  least = count == 0 ? duration : std::min(least, duration);
  most = count == 0 ? duration : std::max(most, duration);
  sum += duration;
  ++count;
}

}  // namespace dawnrig::link
