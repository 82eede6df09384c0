// Plant, stage: a diode at other temperatures than 25 degC.
#include "plant/stage/diode.h"

#include <gtest/gtest.h>

#include <cmath>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

double drop_v(const DiodeParams& d, double amps, double degc) {
  const DiodeBranch branch{d, 0.0, degc};
  return bisect(0.0, 5.0, [&](double v) {
    WrightOmega omega;
    return branch.at(v, omega).current_a - amps;
  });
}

double leakage_a(const DiodeParams& d, double degc) {
  WrightOmega omega;
  return -DiodeBranch{d, 0.0, degc}.at(-20.0, omega).current_a;
}

// A Schottky barrier loses 1 to 2 mV/K at a tenth of its rating, and leaks some thirtyfold more at 100 than at 25 degC.
TEST(Diode, DropsLessAndLeaksMoreWhenItIsWarm) {
  DiodeParams d;
  d.follows_temperature = true;
  const double per_k = (drop_v(d, 1.0, 75.0) - drop_v(d, 1.0, 25.0)) / 50.0;
  EXPECT_LT(per_k, -0.8e-3);
  EXPECT_GT(per_k, -2.0e-3);
  const double more = leakage_a(d, 100.0) / leakage_a(d, 25.0);
  EXPECT_GT(more, 50.0);
  EXPECT_LT(more, 500.0);
  EXPECT_NEAR(leakage_a(d, 25.0), 2e-6, 1e-12);
}

TEST(Diode, SaturatesAsTheActivationLawSays) {
  DiodeParams d;
  d.follows_temperature = true;
  for (const double degc : {-40.0, 0.0, 60.0, 125.0}) {
    const double t = degc + 273.15;
    const double k = 8.617333262e-5;
    const double expected =
        2e-6 * std::pow(t / 298.15, 2.0 / 1.04) * std::exp(0.69 / (1.04 * k) * (1.0 / 298.15 - 1.0 / t));
    EXPECT_NEAR(leakage_a(d, degc) / expected, 1.0, 1e-9) << degc;
  }
}

TEST(Diode, OneThatFollowsNoTemperatureIsTheSameWhereverItStands) {
  const DiodeParams d;
  EXPECT_EQ(drop_v(d, 5.0, 80.0), drop_v(d, 5.0, 25.0));
  DiodeParams following = d;
  following.follows_temperature = true;
  EXPECT_NEAR(drop_v(following, 5.0, 25.0), drop_v(d, 5.0, 25.0), 1e-12);
}

}  // namespace
}  // namespace dawnrig::plant
