// Plant, core: the phi functions against their integral, on both sides of where the method changes.
#include "plant/core/phi.h"

#include <gtest/gtest.h>

#include <cmath>

namespace dawnrig::plant {
namespace {

// phi_k(z) = 1/(k-1)! times the integral of exp((1 - t) z) t^(k-1) over 0..1, by Simpson's rule.
double by_integral(std::size_t k, double z) {
  constexpr int kPanels = 4000;
  double factorial = 1.0;
  for (std::size_t i = 2; i < k; ++i) factorial *= static_cast<double>(i);
  double sum = 0.0;
  for (int i = 0; i <= kPanels; ++i) {
    const double t = static_cast<double>(i) / kPanels;
    const double weight = i == 0 || i == kPanels ? 1.0 : i % 2 == 1 ? 4.0 : 2.0;
    sum += weight * std::exp((1.0 - t) * z) * std::pow(t, static_cast<double>(k - 1));
  }
  return sum / (3.0 * kPanels) / factorial;
}

TEST(Phi, IsItsIntegralForStiffSlowAndGrowingRates) {
  for (const double z : {-40.0, -9.0, -1.01, -0.99, -0.3, -0.061, -0.059, -2.1e-3, -1.9e-3, -1e-9, 0.0, 1e-3, 0.05, 0.5,
                         0.99, 1.01, 3.0, 15.0}) {
    const Phi<8> phi{z};
    ASSERT_NEAR(phi[0] / std::exp(z), 1.0, 1e-13) << "z = " << z;
    for (std::size_t k = 1; k <= 8; ++k) {
      ASSERT_NEAR(phi[k] / by_integral(k, z), 1.0, 1e-9) << "phi_" << k << " at z = " << z;
    }
  }
}

TEST(Phi, ForgetsAllButTheForceWhenInfinitelyStiff) {
  const Phi<3> phi{-1e12};
  EXPECT_EQ(phi[0], 0.0);
  EXPECT_DOUBLE_EQ(phi[1], 1e-12);
  EXPECT_NEAR(phi[2] / 1e-12, 1.0, 1e-11);
}

}  // namespace
}  // namespace dawnrig::plant
