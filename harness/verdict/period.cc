#include "harness/verdict/period.h"

#include <algorithm>

namespace dawnrig::verdict {
namespace {

constexpr Nanos kDefaultWindow{10'000'000};
constexpr double kLeastPeak = 0.3;
constexpr double kNearlyHighest = 0.9;

Watching with_window(Watching watching) {
  if (watching.average_over == Nanos{0}) watching.average_over = kDefaultWindow;
  return watching;
}

bool is_peak(const std::vector<double>& c, std::size_t k) {
  return c[k] >= c[k - 1] && c[k] >= c[k + 1];
}

/// The lag of the dominant peak, or 0.
std::size_t dominant_lag(const std::vector<double>& c) {
  std::size_t begin = 1;
  while (begin < c.size() && c[begin] > 0) ++begin;
  double highest = 0;
  for (std::size_t k = begin; k + 1 < c.size(); ++k) {
    if (is_peak(c, k)) highest = std::max(highest, c[k]);
  }
  if (highest < kLeastPeak) return 0;
  for (std::size_t k = begin; k + 1 < c.size(); ++k) {
    if (is_peak(c, k) && c[k] >= kNearlyHighest * highest) return k;
  }
  return 0;
}

/// Where the parabola through three neighbouring values has its top, in lags.
double refined(const std::vector<double>& c, std::size_t k) {
  const double curvature = c[k - 1] - 2 * c[k] + c[k + 1];
  const double shift = curvature < 0 ? 0.5 * (c[k - 1] - c[k + 1]) / curvature : 0;
  return static_cast<double>(k) + shift;
}

}  // namespace

DominantPeriod::DominantPeriod(const Watching& watching, double least_swing, std::size_t lags)
    : watched_{with_window(watching)},
      window_s_{in_seconds(with_window(watching).average_over)},
      least_swing_{least_swing},
      first_(std::max<std::size_t>(lags, 8) + 2),
      last_(first_.size()),
      products_(first_.size()) {}

void DominantPeriod::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) { add(piece.to_value); });
}

void DominantPeriod::on_stretch(const trace::Stretch& stretch) {
  // Always averaged, so what is not taken has the end of a window in it.
  if (!watched_.take(stretch, [](const Whole&) { return false; })) Monitor::on_stretch(stretch);
}

/// Values are kept relative to the first one, so that the sums of a small ripple on a large voltage keep their digits.
void DominantPeriod::add(double value) {
  if (count_ == 0) {
    origin_ = lowest_ = highest_ = value;
  }
  lowest_ = std::min(lowest_, value);
  highest_ = std::max(highest_, value);
  const double x = value - origin_;
  const std::size_t lags = first_.size();
  if (lags == 0) return;  // never: the constructor sees to it
  const auto count = static_cast<std::size_t>(count_);
  if (count < lags) first_[count] = x;
  last_[count % lags] = x;
  const std::size_t known = std::min(count + 1, lags);
  for (std::size_t k = 0; k < known; ++k) products_[k] += x * last_[(count - k) % lags];
  sum_ += x;
  ++count_;
}

std::vector<double> DominantPeriod::autocorrelation() const {
  const std::size_t lags = first_.size();
  const auto count = static_cast<std::size_t>(count_);
  const double mean = sum_ / static_cast<double>(count_);
  std::vector<double> c;
  double head = 0;
  double tail = 0;
  // A lag of more than half of the watch has been seen less than twice.
  for (std::size_t k = 0; k < std::min(lags, count / 2); ++k) {
    const auto pairs = static_cast<double>(count - k);
    c.push_back((products_[k] - mean * (sum_ - head) - mean * (sum_ - tail)) / pairs + mean * mean);
    head += first_[k];
    tail += last_[(count - 1 - k) % lags];
  }
  if (!c.empty() && c[0] > 0) {
    const double power = c[0];
    for (double& value : c) value /= power;
  }
  return c;
}

Figure DominantPeriod::figure() const {
  Figure figure;
  figure.worst = watched_.end();
  if (count_ == 0) return watched_.vouched(figure);
  const auto c = autocorrelation();
  const bool swings = highest_ - lowest_ > least_swing_;
  const std::size_t lag = swings && c.size() > 2 ? dominant_lag(c) : 0;
  if (lag == 0) {
    figure.note = swings ? "it swung without a period" : "it did not swing";
    return watched_.vouched(figure);
  }
  figure.value = refined(c, lag) * window_s_;
  figure.exercised = static_cast<std::int64_t>(watched_.duration_s() / figure.value);
  return watched_.vouched(figure);
}

}  // namespace dawnrig::verdict
