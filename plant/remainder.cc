// What is remembered of the rest of an interval: see remainder.h. How it is found is in remainder_memory.cc.
#include "plant/remainder.h"

#include <Eigen/Core>
#include <cmath>

namespace dawnrig::plant {
namespace {

using Values = Remainder::Shares;
using T = Transition;

constexpr double kInner = 0.28523151648064509;  // of the zeros of P5', from the middle of -1 to 1
constexpr double kOuter = 0.76505532392946469;
constexpr Values kNodeShares{0.0, 0.5 - 0.5 * kOuter, 0.5 - 0.5 * kInner, 0.5 + 0.5 * kInner, 0.5 + 0.5 * kOuter, 1.0};

// One over the product of a node's distances from all others.
constexpr Values weights() {
  Values w{};
  for (std::size_t i = 0; i < w.size(); ++i) {
    double product = 1.0;
    for (std::size_t k = 0; k < w.size(); ++k) product *= k == i ? 1.0 : kNodeShares[i] - kNodeShares[k];
    w[i] = 1.0 / product;
  }
  return w;
}
constexpr Values kWeights = weights();

constexpr double kFaded = -40.0;  // e to that is nothing

// Lagrange's form: products of distances from the left and from the right.
double through_nodes(const std::array<double, Remainder::kOfPin>& values, double share) {
  Values right{};
  right.back() = 1.0;
  for (std::size_t i = right.size() - 1; i > 0; --i) right[i - 1] = right[i] * (share - kNodeShares[i]);
  double left = 1.0;
  double sum = 0.0;
  for (std::size_t i = 0; i < right.size(); ++i) {
    sum += values[i] * kWeights[i] * left * right[i];
    left *= share - kNodeShares[i];
  }
  return sum;
}

}  // namespace

const Values& remainder_nodes_frac() {
  return kNodeShares;
}

Transition::Away Remainder::away(const Transition& after, const Away& of_transition) const {
  Away away = of_transition;
  for (std::size_t c = 0; c < columns_; ++c) {
    const std::size_t slot = after.column_slot_[c];
    away.of[c] += after.middle_[slot] - middle_[slot];
  }
  return away;
}

Remainder::Span Remainder::span(const Transition& after, const Away& of_transition, Nanos whole) const {
  return {whole, in_seconds(whole - middle_length_), after.net_ah(of_transition)};
}

template <std::size_t kFigures, std::size_t kUsed>
std::array<double, kFigures> Remainder::figures(std::size_t from, const Away& away, double longer_s) const {
  using Row = Eigen::Array<double, kUsed, 1>;
  const double* figure = row(0) + from;
  Row sum = Eigen::Map<const Row>{figure};
  for (std::size_t c = 0; c < columns_; ++c) {
    figure += kWide;
    sum += Eigen::Map<const Row>{figure} * away.of[c];
  }
  sum += Eigen::Map<const Row>{figure + kWide} * longer_s;
  std::array<double, kFigures> figures;
  Eigen::Map<Row>{figures.data()} = sum;
  return figures;
}

Transition::Sample Remainder::sample(std::size_t i, const Away& away, const Span& span) const {
  const std::size_t from = i * T::kOfStep;
  const auto f = pins_ > T::kFewPins ? figures<T::kOfStep>(from, away, span.longer_s)
                                     : figures<T::kOfStep, T::kOfStepOfFew>(from, away, span.longer_s);
  const double since_s = in_seconds(end_of(i, span));
  Sample s{f[0], f[1], f[2], f[3], f[4], f[5], f[6], span.net_before_ah + since_s * f[7], {}};
  const double* const own = row(columns_ + 2);
  for (std::size_t k = 0; k < pins_; ++k) {
    s.pin_v[k] = f[Transition::kShown + k] + own[from + Transition::kShown + k] * away.pin_v[k];
    const double left = faded_frac(k, since_s);
    if (left != 0.0) s.pin_v[k] += left * figure(fades_at(k), k, away, span.longer_s);
  }
  return s;
}

Transition::Sample Remainder::pass(const Away& away, const Span& span, const CircuitSystem& system, Vector& y) const {
  const double h_s = in_seconds(span.whole);
  const Sample end = sample(steps_ - 1, away, span);
  Transition::stand_at(end, system, y);
  Transition::move_cells(span.whole, system, y);
  const auto per_s = loads_ > T::kFewLoads ? figures<T::kOfEnd>(kMovedAt, away, span.longer_s)
                                           : figures<T::kOfEnd, T::kOfEndOfFew>(kMovedAt, away, span.longer_s);
  const double* moves_per_s = per_s.data();
  for (const std::size_t slot : Transition::kMoving) y[slot] += h_s * *moves_per_s++;
  for (std::size_t k = 0; k < loads_; ++k) y[Slot::kFirstLoad + k] += h_s * *moves_per_s++;
  return end;
}

double Remainder::pin_v(std::size_t pin, const Away& away, const Span& span, Nanos after) const {
  auto f = figures<kOfPin>(node_at(pin, 0), away, span.longer_s);
  const double* const own = row(columns_ + 2) + node_at(pin, 0);
  for (std::size_t k = 0; k < kOfPin; ++k) f[k] += own[k] * away.pin_v[pin];
  const double smooth_v =
      through_nodes(f, static_cast<double>(after.count()) / static_cast<double>(span.whole.count()));
  const double left = faded_frac(pin, in_seconds(after));
  return left == 0.0 ? smooth_v : smooth_v + left * f[kNodes];
}

double Remainder::figure(std::size_t at, std::size_t pin, const Away& away, double longer_s) const {
  const double* figure = row(0) + at;
  double sum = *figure;
  for (std::size_t c = 0; c < columns_; ++c) sum += *(figure += kWide) * away.of[c];
  return sum + figure[kWide] * longer_s + figure[2 * kWide] * away.pin_v[pin];
}

double Remainder::faded_frac(std::size_t pin, double since_s) const {
  const double exponent = pin_start_[pin].pin_d_pin * since_s;
  return exponent < kFaded ? 0.0 : std::exp(exponent);
}

}  // namespace dawnrig::plant
