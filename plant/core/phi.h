// Plant, core: the functions with which linear equations are solved over a step in closed form. Touches nothing.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

namespace dawnrig::plant {

/// phi_0(z) = exp(z), phi_k(z) = (phi_{k-1}(z) - 1/(k-1)!)/z, so that phi_k(0) = 1/k!. They are the response of
/// x' = z x + r to r = 1, t, t^2 over a step of one: x(1) = phi_1, phi_2, 2 phi_3.
///
/// Fills phi_1 .. phi_N at [1] .. [N]; [0] is exp(z). Within |z| < 1 from Taylor's series of the last and downward
/// recursion, which loses no digits and needs no exponential; beyond from exp(z) upwards. Relative error below 1e-12
/// for N <= 6 and z <= 20. Source: Minchev and Wright, "A review of exponential integrators for first order
/// semi-linear problems", NTNU preprint 2/2005. Checked in tests/plant/phi_test.cc.
template <std::size_t N>
struct Phi {
  std::array<double, N + 1> at{};

  explicit Phi(double z) {
    if (std::abs(z) < 1.0) {
      const std::size_t terms = std::abs(z) < 2e-3 ? 4 : std::abs(z) < 0.06 ? 7 : kTerms;
      double sum = 1.0;
      for (std::size_t n = N + terms; n > N; --n) sum = 1.0 + sum * (z * kInverse[n]);
      at[N] = sum * kInverseFactorial[N];
      for (std::size_t k = N; k > 0; --k) at[k - 1] = z * at[k] + kInverseFactorial[k - 1];
      return;
    }
    const double inverse = 1.0 / z;
    at[0] = z < kGone ? 0.0 : std::exp(z);  // which is zero there too, and takes long to say so
    for (std::size_t k = 1; k <= N; ++k) at[k] = (at[k - 1] - kInverseFactorial[k - 1]) * inverse;
  }
  double operator[](std::size_t k) const { return at[k]; }

 private:
  static constexpr std::size_t kTerms = 12;
  static constexpr double kGone = -746.0;
  static constexpr std::array<double, N + kTerms + 1> inverses() {
    std::array<double, N + kTerms + 1> table{};
    for (std::size_t i = 1; i < table.size(); ++i) table[i] = 1.0 / static_cast<double>(i);
    return table;
  }
  static constexpr std::array<double, N + 1> inverse_factorials() {
    std::array<double, N + 1> table{1.0};
    for (std::size_t i = 1; i < table.size(); ++i) table[i] = table[i - 1] / static_cast<double>(i);
    return table;
  }
  static constexpr std::array<double, N + kTerms + 1> kInverse = inverses();
  static constexpr std::array<double, N + 1> kInverseFactorial = inverse_factorials();
};

}  // namespace dawnrig::plant
