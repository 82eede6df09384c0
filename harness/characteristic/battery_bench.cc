#include <algorithm>
#include <cmath>
#include <numeric>

#include "harness/base/bad_input.h"
#include "harness/characteristic/battery_bench_internal.h"

namespace dawnrig::characteristic {

BatteryOnASupply::BatteryOnASupply(const plant::BatteryParams& params, double current_a, std::optional<double> limit_v,
                                   double battery_degc)
    : battery_{params}, current_a_{current_a}, limit_v_{limit_v}, battery_degc_{battery_degc} {}

plant::BatteryState BatteryOnASupply::state(const Vector& y) const {
  return {.soc_frac = y[0], .v_fast_v = y[1], .v_slow_v = y[2], .battery_degc = battery_degc_, .hysteresis_frac = y[3]};
}

double BatteryOnASupply::series_ohm(const Vector& y) const {
  return battery_.series(y[0], battery_degc_).ohm;
}

double BatteryOnASupply::current_a(const Vector& y) const {
  if (!limit_v_ || current_a_ <= 0) return current_a_;
  const double at_limit_a = (*limit_v_ - battery_.inner_v(state(y))) / series_ohm(y);
  return std::clamp(at_limit_a, 0.0, current_a_);
}

double BatteryOnASupply::terminal_v(const Vector& y) const {
  return battery_.inner_v(state(y)) + series_ohm(y) * current_a(y);
}

double BatteryOnASupply::gassing_a(const Vector& y) {
  return battery_.at(state(y), current_a(y), series_ohm(y), scratch_).gassing_a;
}

bool BatteryOnASupply::rates(const Vector& y, Vector& f) {
  const double a = current_a(y);
  const plant::BatteryPoint q = battery_.at(state(y), a, series_ohm(y), scratch_);
  f = {q.soc_per_s, q.fast_per_s, q.slow_per_s, q.hysteresis_per_s, a / 3600};
  at_ = y;
  return std::all_of(f.begin(), f.end(), [](double rate) { return std::isfinite(rate); });
}

// Slopes by differences, then Gauss's elimination with the largest pivot.
void BatteryOnASupply::linearise(double s) {
  constexpr Vector kApart{1e-8, 1e-7, 1e-7, 1e-6, 1e-6};
  const Vector y = at_;
  Vector above{};
  Vector below{};
  for (std::size_t j = 0; j < size(); ++j) {
    Vector moved = y;
    moved[j] = y[j] + kApart[j];
    (void)rates(moved, above);
    moved[j] = y[j] - kApart[j];
    (void)rates(moved, below);
    for (std::size_t i = 0; i < size(); ++i) {
      matrix_[i][j] = (i == j ? s : 0.0) - (above[i] - below[i]) / (2 * kApart[j]);
    }
  }
  at_ = y;
  std::iota(row_.begin(), row_.end(), std::size_t{0});
  for (std::size_t k = 0; k < size(); ++k) {
    for (std::size_t i = k + 1; i < size(); ++i) {
      if (std::abs(matrix_[row_[i]][k]) > std::abs(matrix_[row_[k]][k])) std::swap(row_[i], row_[k]);
    }
    for (std::size_t i = k + 1; i < size(); ++i) {
      double& factor = matrix_[row_[i]][k];
      factor /= matrix_[row_[k]][k];
      for (std::size_t j = k + 1; j < size(); ++j) matrix_[row_[i]][j] -= factor * matrix_[row_[k]][j];
    }
  }
}

void BatteryOnASupply::solve(const Vector& rhs, Vector& k) const {
  Vector x{};
  for (std::size_t i = 0; i < size(); ++i) {
    x[i] = rhs[row_[i]];
    for (std::size_t j = 0; j < i; ++j) x[i] -= matrix_[row_[i]][j] * x[j];
  }
  for (std::size_t i = size(); i-- > 0;) {
    for (std::size_t j = i + 1; j < size(); ++j) x[i] -= matrix_[row_[i]][j] * x[j];
    x[i] /= matrix_[row_[i]][i];
  }
  k = x;
}

BatteryOnTheBench::BatteryOnTheBench(const plant::BatteryParams& params, double current_a,
                                     std::optional<double> limit_v, double soc_frac, double battery_degc)
    : system_{params, current_a, limit_v, battery_degc}, step_s_{0.01 * system_.battery().tau_fast_s()} {
  y_[0] = soc_frac;
}

void BatteryOnTheBench::advance(double span_s) {
  constexpr BatteryOnASupply::Vector kToleranceSize{1e-8, 1e-6, 1e-6, 1e-6, 1e-8};
  const double shortest_s = 1e-6 * system_.battery().tau_fast_s();
  double left_s = span_s;
  while (left_s > 0) {
    if (!integrator_.begin(system_, y_)) {
      throw base::RunFault("the battery's equations gave no number at a state of charge of " + std::to_string(y_[0]));
    }
    for (;;) {
      const double h_s = std::min(step_s_, left_s);
      system_.linearise(2 / h_s);
      integrator_.predict(system_, h_s);
      BatteryOnASupply::Vector next{};
      BatteryOnASupply::Vector error{};
      double worst = integrator_.finish(system_, y_, h_s, next, error) ? 0.0 : 1e3;
      for (std::size_t i = 0; i < error.size(); ++i) worst = std::max(worst, std::abs(error[i]) / kToleranceSize[i]);
      const double scale = std::clamp(0.9 / std::cbrt(std::max(worst, 1e-9)), 0.1, 5.0);
      if (worst <= 1 || h_s <= shortest_s) {
        y_ = next;
        left_s -= h_s;
        if (h_s == step_s_ || scale < 1) step_s_ = std::max(shortest_s, h_s * scale);
        break;
      }
      step_s_ = std::max(shortest_s, h_s * scale);
      (void)integrator_.begin(system_, y_);  // the slopes are those of the step's beginning
    }
  }
}

}  // namespace dawnrig::characteristic
