// Plant, core: one step of the time integrator. Knows no physics; touches nothing else.
#pragma once

#include <cstddef>

namespace dawnrig::plant {

/// Rosenbrock method of four stages and three evaluations: order 3, embedded order 2, L-stable, stiffly accurate.
/// Solves y' = f(y) with J = df/dy. In the form without matrix products, with s = 2/h (gamma = 1/2):
///
///     (s - J) K1 = f(y)                     (s - J) K2 = f(y) + (4/h) K1
///     (s - J) K3 = f(y + 2 K1) + (K1 - K2)/h
///     (s - J) K4 = f(y + 2 K1 + K3) + (K1 - K2 - 8/3 K3)/h
///     y(t+h) = y + 2 K1 + K3 + K4           error estimate = K4
///
/// Source: Sandu, Verwer, Blom, Spee, Carmichael and Potra, "Benchmarking stiff ODE solvers for atmospheric chemistry
/// problems II: Rosenbrock solvers", Atmospheric Environment 31 (1997) 3459. Order and damping are checked in
/// tests/plant/rodas3_test.cc.
///
/// System offers: Vector (indexable, a value); size(); bool rates(y, f); void linearise(s), about the last rates();
/// void solve(rhs, k) for (s - J) k = rhs.
template <class System>
class Rodas3 {
 public:
  using Vector = typename System::Vector;

  /// Evaluates and keeps f(y). False: the algebra inside f did not converge.
  [[nodiscard]] bool begin(System& system, const Vector& y) { return system.rates(y, f0_); }

  /// First two stages for a step of h_s from the y of begin(); to be called again to retry with another h_s, after
  /// the caller has linearised the system with 2/h_s. They cost no evaluation.
  void predict(System& system, double h_s) {
    const std::size_t n = system.size();
    system.solve(f0_, k1_);
    const double c = 4.0 / h_s;
    for (std::size_t i = 0; i < n; ++i) rhs_[i] = f0_[i] + c * k1_[i];
    system.solve(rhs_, k2_);
  }

  /// How far component i is from moving straight over the predicted step: half of h^2 y''.
  [[nodiscard]] double bend(std::size_t i) const { return k2_[i] - 3.0 * k1_[i]; }

  /// Last two stages: y1 is the solution after the step, error its estimate. False: as begin().
  [[nodiscard]] bool finish(System& system, const Vector& y, double h_s, Vector& y1, Vector& error) {
    const std::size_t n = system.size();
    const double c = 1.0 / h_s;
    for (std::size_t i = 0; i < n; ++i) y1[i] = y[i] + 2.0 * k1_[i];
    if (!system.rates(y1, f_)) return false;
    for (std::size_t i = 0; i < n; ++i) {
      k1_[i] = c * (k1_[i] - k2_[i]);
      rhs_[i] = f_[i] + k1_[i];
    }
    system.solve(rhs_, k3_);
    for (std::size_t i = 0; i < n; ++i) y1[i] += k3_[i];
    if (!system.rates(y1, f_)) return false;
    for (std::size_t i = 0; i < n; ++i) rhs_[i] = f_[i] + k1_[i] - (8.0 / 3.0) * c * k3_[i];
    system.solve(rhs_, error);
    for (std::size_t i = 0; i < n; ++i) y1[i] += error[i];
    return true;
  }

 private:
  Vector f0_{}, f_{}, k1_{}, k2_{}, k3_{}, rhs_{};
};

}  // namespace dawnrig::plant
