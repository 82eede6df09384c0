#include "plant/backward_euler.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

// The largest correction still wanted, in tolerances; not-a-number if any is.
double worst(const Vector& k, const Vector& inverse_tolerance, std::size_t size) {
  double most = 0.0;
  double sum = 0.0;
  for (std::size_t i = 0; i < size; ++i) {
    most = std::max(most, std::abs(k[i]) * inverse_tolerance[i]);
    sum += 0.0 * k[i];
  }
  return sum == 0.0 ? most : std::nan("");
}

double stored_j(const CircuitSystem& system, const Vector& y) {
  const StageParams& stage = system.params().stage;
  const auto* buck = std::get_if<BuckParams>(&stage.topology);
  return 0.5 * (stage.input_capacitance_f * y[Slot::kInput] * y[Slot::kInput] +
                stage.output_capacitance_f * y[Slot::kBus] * y[Slot::kBus] +
                (buck != nullptr ? buck->inductance_henry * y[Slot::kInductor] * y[Slot::kInductor] : 0.0));
}

// A capacitor that is emptied within the step gives its energy in a moment that the powers at the step's end know
// nothing of. Whatever the other books did not take went to heat in the stage.
void balance(const CircuitSystem& system, const Vector& y, Vector& next) {
  const auto gained_j = [&](std::size_t book) { return next[book] - y[book]; };
  next[Slot::kStageJ] = y[Slot::kStageJ] + gained_j(Slot::kPanelJ) - gained_j(Slot::kWiringJ) -
                        gained_j(Slot::kBatteryJ) - gained_j(Slot::kLoadsJ) - gained_j(Slot::kSenseJ) -
                        (stored_j(system, next) - stored_j(system, y));
}

}  // namespace

bool backward_euler(CircuitSystem& system, const Vector& y, double h_s, const Vector& inverse_tolerance, Vector& next) {
  constexpr int kMostIterations = 200;
  constexpr double kClose = 1e-3;  // of a tolerance
  constexpr double kLeastShare = 1e-3;
  const std::size_t n = system.size();
  const double per_h = 1.0 / h_s;
  Vector f{};
  Vector wanted{};
  Vector k{};
  Vector trial{};
  // (1/h - J) k = f(next) - (next - y)/h
  const auto correction = [&](const Vector& at) {
    for (std::size_t i = 0; i < n; ++i) wanted[i] = f[i] - per_h * (at[i] - y[i]);
    system.solve(wanted, k);
    return worst(k, inverse_tolerance, n);
  };
  next = y;
  if (!system.rates(next, f)) return false;
  for (int iteration = 0; iteration < kMostIterations; ++iteration) {
    system.mark();
    system.linearise(per_h);
    const double left = correction(next);
    if (!std::isfinite(left)) return false;
    const Vector step = k;
    if (left < kClose) {
      for (std::size_t i = 0; i < n; ++i) next[i] += step[i];
      balance(system, y, next);
      return true;
    }
    for (double share = 1.0;; share *= 0.5) {
      for (std::size_t i = 0; i < n; ++i) trial[i] = next[i] + share * step[i];
      // By the slopes at `next`, so that before and after are measured alike.
      const bool better = system.rates(trial, f) && correction(trial) < (1.0 - 0.1 * share) * left;
      if (better || share < kLeastShare) break;
    }
    next = trial;
  }
  return false;
}

}  // namespace dawnrig::plant
