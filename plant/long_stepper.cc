#include "plant/long_stepper.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "plant/backward_euler.h"

namespace dawnrig::plant {
namespace {

constexpr double kFirstStepS = 1e-6;
constexpr double kNanosecond = 1e-9;
// Beyond this much bend a predicted step is hopeless and is shortened before it costs an evaluation.
constexpr double kHopelessBend = 400.0;
constexpr double kHopefulBend = 40.0;
// Lets the step after one of last resort be three times as long.
constexpr double kOfLastResort = 0.02;

double growth(double miss) {
  if (miss < 1e-3) return 6.0;
  return std::clamp(0.85 / std::cbrt(miss), 0.1, 6.0);
}

}  // namespace

LongStepper::LongStepper(CircuitSystem& system, const Vector& inverse_tolerance, double hint_s, double longest_s)
    : system_{system},
      inverse_tolerance_{inverse_tolerance},
      longest_s_{longest_s},
      proposed_s_{hint_s > 0.0 ? hint_s : kFirstStepS} {}

Nanos LongStepper::step(Vector& y, Nanos left) {
  if (!std::exchange(looked_, false) && !method_.begin(system_, y)) {
    status_ = finite(y) ? AdvanceStatus::kNotConverged : AdvanceStatus::kNotANumber;
    return Nanos{0};
  }
  system_.mark();
  for (;;) {
    const Nanos length = choose(left);
    const double h = in_seconds(length);
    const bool smallest = length.count() <= 1;
    system_.linearise(2.0 / h);
    method_.predict(system_, h);
    if (!smallest) {
      const double bend = worst_bend();
      if (bend > kHopelessBend) {  // false for not-a-number, which the rest of the step finds
        proposed_s_ = h * std::clamp(std::sqrt(kHopefulBend / bend), 0.005, 0.5);
        continue;
      }
    }
    const bool converged = method_.finish(system_, y, h, next_, error_);
    double miss = converged ? worst_error() : std::nan("");
    bool good = converged && std::isfinite(miss) && finite(next_);
    const bool strayed = !good && (converged || !finite(next_));
    if (smallest && !(good && miss <= 1.0)) {
      good = backward_euler(system_, y, h, inverse_tolerance_, next_);
      miss = kOfLastResort;
    }
    if (good && (miss <= 1.0 || smallest)) {
      const double grown = h * growth(miss);
      // A step cut short by the end of the interval says nothing against the longer one proposed before.
      proposed_s_ = std::min(cut_ ? std::max(proposed_s_, grown) : grown, longest_s_);
      y = next_;
      return length;
    }
    if (smallest) {
      status_ = strayed ? AdvanceStatus::kNotANumber : AdvanceStatus::kNotConverged;
      return Nanos{0};
    }
    proposed_s_ = good ? h * growth(miss) : 0.1 * h;
  }
}

// The proposed step in whole nanoseconds; two equal ones rather than a full and a tiny one at the end.
Nanos LongStepper::choose(Nanos left) {
  const double left_s = in_seconds(left);
  cut_ = proposed_s_ >= left_s;
  if (cut_) return left;
  if (proposed_s_ > 0.6 * left_s) return Nanos{(left.count() + 1) / 2};
  const auto whole = static_cast<std::int64_t>(proposed_s_ / kNanosecond);
  return Nanos{std::max<std::int64_t>(1, whole)};
}

double LongStepper::worst_bend() const {
  double worst = 0.0;
  for (std::size_t i = 0; i < system_.size(); ++i) {
    worst = std::max(worst, std::abs(method_.bend(i)) * inverse_tolerance_[i]);
  }
  return worst;
}

double LongStepper::worst_error() const {
  double worst = 0.0;
  for (std::size_t i = 0; i < system_.size(); ++i) {
    worst = std::max(worst, std::abs(error_[i]) * inverse_tolerance_[i]);
  }
  return worst;
}

bool LongStepper::finite(const Vector& y) const {
  double sum = 0.0;  // not-a-number and infinity survive multiplication by zero
  for (std::size_t i = 0; i < system_.size(); ++i) sum += 0.0 * y[i];
  return sum == 0.0;
}

}  // namespace dawnrig::plant
