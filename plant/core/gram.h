// Plant, core: means of products of what runs along a step of two capacitors. May use two_modes.h and phi.h.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

#include "plant/core/two_modes.h"

namespace dawnrig::plant {

/// Mean over the step of the product of any two quantities along it.
class Gram {
 public:
  explicit Gram(const TwoModes::Step& s) {
    const double zz = s.z[0] + s.z[1];
    std::array<std::array<double, 4>, 2> moment{};  // of tau^n times the mode
    for (std::size_t m = 0; m < 2; ++m) {
      const Phi<8>& p = s.phi[m];
      // The mean of tau^n times tau^k phi_k(z tau), by parts.
      const auto first = [&p](std::size_t k) { return p[k + 1] - p[k + 2]; };
      const auto second = [&](std::size_t k) { return p[k + 1] - 2.0 * (p[k + 2] - p[k + 3]); };
      const auto third = [&](std::size_t k) { return p[k + 1] - 3.0 * (p[k + 2] - 2.0 * (p[k + 3] - p[k + 4])); };
      const double r2 = 2.0 * s.r2[m];
      const double r3 = 6.0 * s.r3[m];
      moment[m] = {s.mean[m], first(1) * s.r0[m] + first(2) * s.r1[m] + first(3) * r2 + first(4) * r3,
                   second(1) * s.r0[m] + second(2) * s.r1[m] + second(3) * r2 + second(4) * r3,
                   third(1) * s.r0[m] + third(2) * s.r1[m] + third(3) * r2 + third(4) * r3};
    }
    // (x y)' = (zx + zy) x y + x ry + y rx, integrated; where the rates are too small to divide by, Taylor's series.
    const auto product = [&](std::size_t x, std::size_t y, double z) {
      if (std::abs(z) < kSmall) return by_series(s, x, y);
      const double forced = moment[x][0] * s.r0[y] + moment[x][1] * s.r1[y] + moment[x][2] * s.r2[y] +
                            moment[x][3] * s.r3[y] + moment[y][0] * s.r0[x] + moment[y][1] * s.r1[x] +
                            moment[y][2] * s.r2[x] + moment[y][3] * s.r3[x];
      return (s.end[x] * s.end[y] - forced) / z;
    };
    const double aa = product(0, 0, 2.0 * s.z[0]);
    const double ab = product(0, 1, zz);
    const double bb = product(1, 1, 2.0 * s.z[1]);
    rows_ = {{{1.0, moment[0][0], moment[1][0], 1.0 / 2, 1.0 / 3, 1.0 / 4},
              {moment[0][0], aa, ab, moment[0][1], moment[0][2], moment[0][3]},
              {moment[1][0], ab, bb, moment[1][1], moment[1][2], moment[1][3]},
              {1.0 / 2, moment[0][1], moment[1][1], 1.0 / 3, 1.0 / 4, 1.0 / 5},
              {1.0 / 3, moment[0][2], moment[1][2], 1.0 / 4, 1.0 / 5, 1.0 / 6},
              {1.0 / 4, moment[0][3], moment[1][3], 1.0 / 5, 1.0 / 6, 1.0 / 7}}};
  }

  /// The mean of x times y is dot(times(x), y).
  [[nodiscard]] Along times(const Along& x) const {
    Along y{};
    for (std::size_t i = 0; i < y.size(); ++i) y[i] = dot(rows_[i], x);
    return y;
  }
  /// The same for a node: at the start, and its way from there by modes alone.
  [[nodiscard]] Along times_voltage(double start_v, const Along& way) const {
    Along y{};
    const double of_first = way[1];
    const double of_second = way[2];
    // Rows are columns too; along rows the compiler takes two at a time.
    for (std::size_t i = 0; i < y.size(); ++i) {
      y[i] = rows_[0][i] * start_v + rows_[1][i] * of_first + rows_[2][i] * of_second;
    }
    return y;
  }
  [[nodiscard]] double square(const Along& x) const {
    double sum = 0.0;
    for (std::size_t i = 0; i < x.size(); ++i) {
      double beyond = 0.5 * rows_[i][i] * x[i];
      for (std::size_t j = i + 1; j < x.size(); ++j) beyond += rows_[i][j] * x[j];
      sum += 2.0 * x[i] * beyond;
    }
    return sum;
  }
  [[nodiscard]] static double dot(const Along& x, const Along& y) {
    return x[0] * y[0] + x[1] * y[1] + x[2] * y[2] + x[3] * y[3] + x[4] * y[4] + x[5] * y[5];
  }
  [[nodiscard]] double mean(const Along& x) const { return dot(rows_[0], x); }

 private:
  static constexpr double kSmall = 0.5;
  static constexpr std::size_t kDegree = 6;
  static constexpr std::array<double, 2 * kDegree + 2> kInverse = [] {
    std::array<double, 2 * kDegree + 2> table{};
    for (std::size_t i = 1; i < table.size(); ++i) table[i] = 1.0 / static_cast<double>(i);
    return table;
  }();

  static double by_series(const TwoModes::Step& s, std::size_t x, std::size_t y) {
    std::array<std::array<double, kDegree>, 2> c{};  // of tau^(n+1)
    for (std::size_t i = 0; i < 2; ++i) {
      const std::size_t m = i == 0 ? x : y;
      const double z = s.z[m];
      c[i][0] = s.r0[m];
      c[i][1] = (z * c[i][0] + s.r1[m]) * kInverse[2];
      c[i][2] = (z * c[i][1] + s.r2[m]) * kInverse[3];
      c[i][3] = (z * c[i][2] + s.r3[m]) * kInverse[4];
      for (std::size_t n = 4; n < kDegree; ++n) c[i][n] = z * c[i][n - 1] * kInverse[n + 1];
    }
    double sum = 0.0;
    for (std::size_t i = 0; i < kDegree; ++i) {
      double row = 0.0;
      for (std::size_t j = 0; j < kDegree; ++j) row += c[1][j] * kInverse[i + j + 3];
      sum += c[0][i] * row;
    }
    return sum;
  }

  std::array<Along, 6> rows_{};
};

}  // namespace dawnrig::plant
