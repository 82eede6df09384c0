// Plant: a pin's way as it is laid out for a step, against the phi functions and against its own differential equation.
#include "plant/pin_ways.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <random>

namespace dawnrig::plant {
namespace {

constexpr double kStepS = 2e-3;
constexpr std::array kModes{-2000.0, -500.0, -36.0, -12.0, -1.5, -0.7, -0.11, -0.09, -1e-3, -1e-9, 0.0, 0.03};
constexpr std::array kPins{-4000.0, -230.0, -12.1, -3.8, -1.0, -0.2, -0.101, -0.099, -2e-3, -1e-8, 0.0};

struct Step {
  TwoModes::Forces forces;
  PinWays::Way way;
};

// Draws what may come with a step: forces of up to some volts, or next to nothing.
class Steps {
 public:
  Step draw(const TwoModes::Pair& z, double pin_z) {
    Step step;
    step.forces = {z, pair(1.0), pair(0.3), pair(0.1), pair(0.05)};
    step.way.start.pin_d_pin = pin_z / kStepS;
    step.way.start.pin_d_node = uniform_(random_) / kStepS;
    step.way.start.pin_per_s = size() / kStepS;
    step.way.missed_v_per_s = 1e-3 * size() / kStepS;
    step.way.driven = {0.0, uniform_(random_), uniform_(random_), 0.1 * size(), 0.1 * size(), 0.1 * size()};
    return step;
  }

 private:
  double size() { return uniform_(random_) * std::pow(10.0, -7.0 * std::abs(uniform_(random_))); }
  TwoModes::Pair pair(double scale) { return {scale * size(), scale * size()}; }
  std::mt19937_64 random_{7};
  std::uniform_real_distribution<> uniform_{-1.0, 1.0};
};

PinWays ways_of(const Step& step) {
  PinWays ways;
  ways.begin(kStepS, step.forces);
  ways.of[0] = step.way;
  return ways;
}

// Its equation and those of the modes, by fourth-order Runge-Kutta; up to that share of the step.
double by_small_steps(const Step& step, double share, int steps) {
  using State = std::array<double, 3>;
  const PinWays::Way& way = step.way;
  const TwoModes::Forces& f = step.forces;
  const auto slope = [&](const State& x, double t) {
    const double squared = t * t;
    const double cubed = squared * t;
    const Along& d = way.driven;
    const auto mode = [&](std::size_t m) {
      return f.z[m] * x[m] + f.r0[m] + f.r1[m] * t + f.r2[m] * squared + f.r3[m] * cubed;
    };
    const double led = d[0] + d[1] * x[0] + d[2] * x[1] + d[3] * t + d[4] * squared + d[5] * cubed;
    return State{mode(0), mode(1),
                 kStepS * (way.start.pin_d_pin * x[2] + way.start.pin_per_s + way.start.pin_d_node * led +
                           way.missed_v_per_s * squared)};
  };
  const auto moved = [](const State& x, const State& k, double part) {
    return State{x[0] + part * k[0], x[1] + part * k[1], x[2] + part * k[2]};
  };
  State x{};
  const double h = share / steps;
  for (int i = 0; i < steps; ++i) {
    const double t = i * h;
    const State k1 = slope(x, t);
    const State k2 = slope(moved(x, k1, 0.5 * h), t + 0.5 * h);
    const State k3 = slope(moved(x, k2, 0.5 * h), t + 0.5 * h);
    const State k4 = slope(moved(x, k3, h), t + h);
    for (std::size_t n = 0; n < x.size(); ++n) x[n] += h / 6.0 * (k1[n] + 2.0 * k2[n] + 2.0 * k3[n] + k4[n]);
  }
  return x[2];
}

// Where the phi functions keep a pin's rate apart from those of the modes, and lose some digits.
bool beside(const TwoModes::Pair& z, double pin_z, double share) {
  return share * std::min(std::abs(z[0] - pin_z), std::abs(z[1] - pin_z)) < 2.0 * TwoModes::kApart;
}

template <class Check>
void for_all_rates(Check check) {
  for (const double first : kModes) {
    for (const double second : kModes) {
      for (const double pin : kPins) check(TwoModes::Pair{first, second}, pin);
    }
  }
}

TEST(PinWays, AreThoseOfThePhiFunctionsHoweverQuickModesAndPinsAre) {
  Steps steps;
  int sums = 0;
  int ways_count = 0;
  double worst_v = 0.0;
  for_all_rates([&](const TwoModes::Pair& z, double pin_z) {
    for (int round = 0; round < 4; ++round) {
      PinWays ways = ways_of(steps.draw(z, pin_z));
      for (const double share : {0.0, 1e-5, 1e-3, 0.02, 0.3, 0.77, 1.0}) {
        if (share > 0.0 && beside(z, pin_z, share)) continue;
        const double apart_v = std::abs(ways.moved_v(0, share * kStepS) - ways.moved_by_phi_v(0, share * kStepS));
        ASSERT_LT(apart_v, 1e-10) << "modes " << z[0] << ", " << z[1] << ", pin " << pin_z << " at " << share;
        worst_v = std::max(worst_v, apart_v);
      }
      sums += ways.is_sum(0) ? 1 : 0;
      ++ways_count;
    }
  });
  std::printf("%d of %d ways laid out as sums, within %.1e V of their phi functions\n", sums, ways_count, worst_v);
  EXPECT_GT(sums, ways_count * 9 / 10);
}

// A sum that stands for the difference of two that are nearly the same loses its digits.
TEST(PinWays, KeepToThePhiFunctionsWhereAPinIsNearlyAsQuickAsAMode) {
  Steps steps;
  int sums = 0;
  int others = 0;
  for (const double mode : kModes) {
    for (const double apart : {1e-12, 1e-9, 2e-7, 4e-6, 2e-5, 1e-4}) {
      const double pin_z = mode * (1.0 + apart);
      Step step = steps.draw({mode, -3.0}, pin_z);
      step.forces.r0[0] = 2.0;
      PinWays ways = ways_of(step);
      for (const double share : {1e-3, 0.3, 1.0}) {
        const double way_v = ways.moved_v(0, share * kStepS);
        if (ways.is_sum(0)) {
          ASSERT_NEAR(way_v, by_small_steps(step, share, 4000), 1e-9) << "mode " << mode << ", apart by " << apart;
        } else {
          ASSERT_EQ(way_v, ways.moved_by_phi_v(0, share * kStepS)) << "mode " << mode << ", apart by " << apart;
        }
      }
      (ways.is_sum(0) ? sums : others) += 1;
    }
  }
  EXPECT_GT(sums, 0);  // of slow modes
  EXPECT_GT(others, 0);
}

TEST(PinWays, FollowTheirOwnEquations) {
  Steps steps;
  for_all_rates([&](const TwoModes::Pair& z, double pin_z) {
    if (std::abs(z[0]) > 40.0 || std::abs(z[1]) > 40.0 || std::abs(pin_z) > 40.0) return;
    const Step step = steps.draw(z, pin_z);
    PinWays ways = ways_of(step);
    for (const double share : {0.04, 0.6, 1.0}) {
      ASSERT_NEAR(ways.moved_v(0, share * kStepS), by_small_steps(step, share, 4000), ways.is_sum(0) ? 1e-10 : 1e-5)
          << "modes " << z[0] << ", " << z[1] << ", pin " << pin_z << " at " << share;
    }
  });
}

TEST(PinWays, AreAskedOfAnotherStepAnew) {
  Steps steps;
  const Step one = steps.draw({-12.0, -0.7}, -3.8);
  const Step other = steps.draw({-500.0, -0.11}, -3.8);
  PinWays ways = ways_of(one);
  (void)ways.moved_v(0, kStepS);
  ways.begin(0.5 * kStepS, other.forces);
  ways.of[0] = other.way;
  for (const double share : {0.1, 0.9}) {
    ASSERT_NEAR(ways.moved_v(0, 0.5 * share * kStepS), ways.moved_by_phi_v(0, 0.5 * share * kStepS), 1e-10);
  }
}

// A night: the bus stands still, the input creeps, the pins have long settled.
TEST(PinWays, LeaveOutWhatNobodyCouldSee) {
  Step step;
  step.forces.z = {-4e-3, -540.0};
  step.forces.r0 = {-1e-5, 1e-12};
  step.forces.r1 = {0.0, 1e-11};
  step.way.driven = {0.0, 0.7, 0.7, 0.0, 0.0, 0.0};
  step.way.start.pin_per_s = 1e-7;
  step.way.start.pin_d_pin = -0.3 / kStepS;
  step.way.start.pin_d_node = 0.04 / kStepS;
  PinWays ways = ways_of(step);
  for (const double share : {0.1, 0.9}) {
    ASSERT_NEAR(ways.moved_v(0, share * kStepS), ways.moved_by_phi_v(0, share * kStepS), 1e-11);
  }
  EXPECT_TRUE(ways.is_sum(0));
  EXPECT_LE(ways.parts(0), 4U);
  step.forces.r0[1] = 0.1;
  EXPECT_GT(
      [&] {
        PinWays lively = ways_of(step);
        (void)lively.moved_v(0, kStepS);
        return lively.parts(0);
      }(),
      ways.parts(0));
}

}  // namespace
}  // namespace dawnrig::plant
