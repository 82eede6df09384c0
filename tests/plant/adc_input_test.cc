// Plant, sense: the sampling capacitor at a pin, against its closed forms and against small steps.
#include "plant/sense/adc_input.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

namespace dawnrig::plant {
namespace {

constexpr AdcInputParams kInput{14e-12, 10e3, 12e-6};

TEST(AdcInput, ThatIsIdealTakesNothing) {
  const Sampled q = sample_pin({}, {3.2, 1e-9, 1e-4}, 0.0);
  EXPECT_EQ(q.held_v, 3.2);
  EXPECT_EQ(q.pin_step_v, 0.0);
}

TEST(AdcInput, SharesItsChargeWithALargePinCapacitor) {
  // 47 nF behind 13 kilohm: nothing flows back within the microseconds.
  const Sampled q = sample_pin(kInput, {3.0, 47e-9, 1.0 / 13e3}, 0.0);
  const double shared_v = -3.0 * 14e-12 / (47e-9 + 14e-12);
  EXPECT_NEAR(q.pin_step_v, shared_v * std::exp(-12e-6 / (13e3 * 47e-9)), 2e-6);
  EXPECT_NEAR(q.held_v, 3.0 + q.pin_step_v, 2e-6);
  std::printf("14 pF out of 47 nF, 3 V apart: the pin is pulled by %.3f mV\n", 1e3 * q.pin_step_v);
}

TEST(AdcInput, IsSettledByTheSourceAloneAtAPinWithoutACapacitor) {
  for (const double source_ohm : {10e3, 100e3, 1e6}) {
    const Sampled q = sample_pin(kInput, {4.0, 1e-17, 1.0 / source_ohm}, 0.5);
    const double settled_v = 4.0 - 3.5 * std::exp(-12e-6 / ((source_ohm + 10e3) * 14e-12));
    EXPECT_NEAR(q.held_v, settled_v, 1e-5) << source_ohm;
  }
  EXPECT_GT(4.0 - sample_pin(kInput, {4.0, 1e-17, 1.0 / 1e6}, 0.5).held_v, 1.0)
      << "a megohm is read more than a volt low";
}

TEST(AdcInput, DoesWhatSmallStepsOfItsEquationsDo) {
  const PinSource source{3.3, 1e-10, 1.0 / 20e3};
  double d = 0.0;
  double u = 0.4 - 3.3;
  constexpr int kSteps = 400000;
  const double h = kInput.acquisition_s / kSteps;
  const auto rates = [&](double dd, double uu, double& d_rate, double& u_rate) {
    d_rate = (-source.conductance_s * dd - (dd - uu) / kInput.switch_ohm) / source.capacitance_f;
    u_rate = (dd - uu) / kInput.switch_ohm / kInput.sampling_capacitance_f;
  };
  for (int i = 0; i < kSteps; ++i) {
    double d1 = 0.0;
    double u1 = 0.0;
    double d2 = 0.0;
    double u2 = 0.0;
    rates(d, u, d1, u1);
    rates(d + 0.5 * h * d1, u + 0.5 * h * u1, d2, u2);
    d += h * d2;
    u += h * u2;
  }
  const Sampled q = sample_pin(kInput, source, 0.4);
  EXPECT_NEAR(q.held_v, 3.3 + u, 1e-9);
  EXPECT_NEAR(q.pin_step_v, d, 1e-9);
  std::printf("sampling capacitor against small steps: %.1e V held, %.1e V at the pin\n", std::abs(q.held_v - 3.3 - u),
              std::abs(q.pin_step_v - d));
}

}  // namespace
}  // namespace dawnrig::plant
