// Plant, core: two capacitors in closed form, against their equations in many small steps.
#include "plant/core/two_modes.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <string>
#include <vector>

#include "plant/core/gram.h"

namespace dawnrig::plant {
namespace {

using Pair = TwoModes::Pair;

struct Case {
  const char* name;
  double first_f, second_f, first_s, second_s, between_s, h_s;
};

// The nodes' ways over one step by fourth-order Runge-Kutta, at equal distances.
struct Way {
  std::vector<Pair> x;
  Way(const Case& c, const Pair& r0, const Pair& r1, const Pair& d, const Pair& e) {
    constexpr int kSteps = 20000;
    const auto slope = [&](const Pair& v, double tau) {
      const double across_a = c.between_s * (v[0] - v[1]);
      const double t = tau * c.h_s;
      const auto force = [&](std::size_t i) { return r0[i] + r1[i] * t + d[i] * tau * tau + e[i] * tau * tau * tau; };
      return Pair{c.h_s * ((-c.first_s * v[0] - across_a) / c.first_f + force(0)),
                  c.h_s * ((-c.second_s * v[1] + across_a) / c.second_f + force(1))};
    };
    const auto moved = [](const Pair& v, const Pair& k, double part) {
      return Pair{v[0] + part * k[0], v[1] + part * k[1]};
    };
    Pair v{0.0, 0.0};
    x.push_back(v);
    constexpr double kStep = 1.0 / kSteps;
    for (int i = 0; i < kSteps; ++i) {
      const double tau = i * kStep;
      const Pair k1 = slope(v, tau);
      const Pair k2 = slope(moved(v, k1, 0.5 * kStep), tau + 0.5 * kStep);
      const Pair k3 = slope(moved(v, k2, 0.5 * kStep), tau + 0.5 * kStep);
      const Pair k4 = slope(moved(v, k3, kStep), tau + kStep);
      for (std::size_t n = 0; n < 2; ++n) v[n] += kStep / 6.0 * (k1[n] + 2.0 * k2[n] + 2.0 * k3[n] + k4[n]);
      x.push_back(v);
    }
  }
  // The mean over the step of a function of the place on it and of both nodes.
  template <class F>
  [[nodiscard]] double mean(F f) const {
    double sum = 0.0;
    const std::size_t n = x.size() - 1;
    for (std::size_t i = 0; i <= n; ++i) {
      const double weight = i == 0 || i == n ? 1.0 : i % 2 == 1 ? 4.0 : 2.0;
      sum += weight * f(static_cast<double>(i) / static_cast<double>(n), x[i]);
    }
    return sum / (3.0 * static_cast<double>(n));
  }
};

class TwoModesOf : public testing::TestWithParam<Case> {
 protected:
  const Case& c = GetParam();
  const Pair r0{0.7 / c.h_s, -0.4 / c.h_s};
  const Pair r1{0.3 / c.h_s / c.h_s, 0.2 / c.h_s / c.h_s};
  const Pair d{-0.5 / c.h_s, 0.25 / c.h_s};
  const Pair e{0.15 / c.h_s, 0.35 / c.h_s};
  const TwoModes two{TwoNodes{Capacitor{c.first_f}, Capacitor{c.second_f}, c.first_s, c.second_s, c.between_s}, r0, r1};
};

TEST_P(TwoModesOf, EndMeanAndProductsAreThoseOfTheDifferentialEquations) {
  TwoModes::Step s = two.over(c.h_s);
  const Way straight{c, r0, r1, {}, {}};
  const Way bent{c, r0, r1, d, e};
  const Way untwisted{c, r0, r1, d, {}};
  for (std::size_t n = 0; n < 2; ++n) {
    ASSERT_NEAR(two.to_nodes(s.end)[n], straight.x.back()[n], 1e-9) << "straight, node " << n;
    ASSERT_NEAR(two.half_way(s)[n], straight.x[straight.x.size() / 2][n], 1e-9) << "half way, node " << n;
  }
  for (const Pair& x : straight.x) {
    for (std::size_t n = 0; n < 2; ++n) ASSERT_LE(std::abs(x[n]), two.most_v(s)[n] + 1e-9) << "node " << n;
  }
  const Pair by_twist = two.bend(s, c.h_s, d, e).by_twist;
  const Gram gram{s};
  const std::array<Along, 2> along{two.first_along(), two.second_along()};
  for (std::size_t n = 0; n < 2; ++n) {
    ASSERT_NEAR(two.to_nodes(s.end)[n], bent.x.back()[n], 1e-9) << "end of node " << n;
    ASSERT_NEAR(by_twist[n], bent.x.back()[n] - untwisted.x.back()[n], 1e-9) << "by the twist, node " << n;
    const double mean = bent.mean([&](double, const Pair& v) { return v[n]; });
    ASSERT_NEAR(two.to_nodes(s.mean)[n], mean, 1e-9) << "mean of node " << n;
    ASSERT_NEAR(gram.mean(along[n]), mean, 1e-9) << "mean by Gram of node " << n;
    const Along powers{2.0, 0.0, 0.0, -1.0, 0.5, 3.0};
    const double by_powers = bent.mean(
        [&](double tau, const Pair& v) { return v[n] * (2.0 - tau + 0.5 * tau * tau + 3.0 * tau * tau * tau); });
    ASSERT_NEAR(Gram::dot(gram.times(along[n]), powers), by_powers, 1e-8) << "node " << n << " with powers of time";
    for (std::size_t m = 0; m < 2; ++m) {
      const double product = bent.mean([&](double, const Pair& v) { return v[n] * v[m]; });
      ASSERT_NEAR(Gram::dot(gram.times(along[n]), along[m]), product, 1e-8) << "product of " << n << " and " << m;
    }
  }
}

// A pin behind its filter: a third capacitor, which does not load the two.
TEST_P(TwoModesOf, WhatFollowsANodeOrAPolynomialIsWhereItsOwnEquationLeads) {
  TwoModes::Step s = two.over(c.h_s);
  (void)two.bend(s, c.h_s, d, e);
  const Way bent{c, r0, r1, d, e};
  TwoModes::Follower follower;
  for (const double z : {0.0, -1e-3, -0.3, -1.0, -12.0, s.z[0], s.z[1], s.z[0] + 1e-6, s.z[1] - 3e-5}) {
    const bool beside_a_mode = std::abs(z - s.z[0]) < 1e-4 || std::abs(z - s.z[1]) < 1e-4;
    const Along followed = TwoModes::Follower{s, z}.led_by(s);
    follower.go_over(s, z);
    ASSERT_EQ(follower.led_by(s), followed) << "come from another rate, z = " << z;
    const auto expect = [&](const Along& way, auto driven, const char* what) {
      const double x = bent.mean([&](double tau, const Pair& v) { return std::exp(z * (1.0 - tau)) * driven(tau, v); });
      EXPECT_NEAR(Gram::dot(followed, way), x, 1e-9 + (beside_a_mode ? TwoModes::kApart * std::abs(x) : 0.0))
          << what << ", z = " << z;
    };
    expect(
        two.first_along(), [](double, const Pair& v) { return v[0]; }, "behind the first node");
    expect(
        two.second_along(), [](double, const Pair& v) { return v[1]; }, "behind the second");
    expect(
        {1.0, 0.0, 0.0, -2.0, 3.0, 0.5},
        [](double tau, const Pair&) { return 1.0 - 2.0 * tau + 3.0 * tau * tau + 0.5 * tau * tau * tau; },
        "behind a polynomial");
  }
}

INSTANTIATE_TEST_SUITE_P(Rates, TwoModesOf,
                         testing::Values(Case{"kick", 2.2e-6, 220e-6, 0.003, 55.0, 39.0, 5e-8},
                                         Case{"after the kick", 2.2e-6, 220e-6, 0.003, 55.0, 39.0, 5e-6},
                                         Case{"settled", 2.2e-6, 220e-6, 0.003, 55.0, 39.0, 1e-4},
                                         Case{"alike", 220e-6, 220e-6, 55.0, 55.0, 39.0, 3e-6},
                                         Case{"open switch", 2.2e-6, 220e-6, 1.2, 55.0, 0.0, 1e-6},
                                         Case{"nothing at all", 1e-6, 1e-6, 0.0, 0.0, 0.0, 1e-3},
                                         Case{"floating together", 1e-6, 3e-6, 0.0, 0.0, 1e-2, 1e-4},
                                         Case{"constant power alone", 2.2e-6, 220e-6, 0.001, -0.04, 1e-3, 5e-3}),
                         [](const auto& of) {
                           std::string name = of.param.name;
                           for (char& letter : name) {
                             if (letter == ' ') letter = '_';
                           }
                           return name;
                         });

}  // namespace
}  // namespace dawnrig::plant
