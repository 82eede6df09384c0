// Plant, sense: amplifiers across shunts: their clamps, their RC, and what they make of pulsed currents.
#include "plant/sense/shunt_amplifier.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <vector>

#include "fixture.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

constexpr ShuntAmplifierParams kForward{5e-3, 50.0, 0.0, 0.5e-3, 0.02, 0.1, 1e3, 100e-9};
constexpr ShuntAmplifierParams kBothWays{2e-3, 50.0, 2.5, 0.0, 0.02, 0.1, 10e3, 100e-9};

TEST(ShuntAmplifier, IsStraightBetweenItsClampsAndHeldAtThem) {
  EXPECT_NEAR(amplifier_at(kForward, 10.0, 5.0).output_v, 50.0 * (0.05 + 0.5e-3), 1e-12);
  EXPECT_DOUBLE_EQ(amplifier_at(kForward, 10.0, 5.0).d_current, 0.25);
  EXPECT_NEAR(amplifier_at(kForward, -3.0, 5.0).output_v, 0.02, 1e-12) << "not below ground";
  EXPECT_DOUBLE_EQ(amplifier_at(kForward, -3.0, 5.0).d_current, 0.0);
  EXPECT_NEAR(amplifier_at(kForward, 25.0, 5.0).output_v, 4.9, 1e-12) << "not to the supply";
  EXPECT_NEAR(amplifier_at(kForward, 25.0, 3.3).output_v, 3.2, 1e-12) << "whatever that is";
  EXPECT_NEAR(amplifier_at(kBothWays, -10.0, 5.0).output_v, 1.5, 1e-12);
  for (double a = -1.0; a < 25.0; a += 1e-3) {
    const double h = 1e-6;
    const double slope =
        (amplifier_at(kForward, a + h, 5.0).output_v - amplifier_at(kForward, a - h, 5.0).output_v) / (2.0 * h);
    ASSERT_NEAR(slope, amplifier_at(kForward, a, 5.0).d_current, 1e-3) << a;
  }
}

CircuitParams with_amplifiers() {
  CircuitParams p = ridge_repeater();
  p.sense.push_back({SenseNode::kChargeCurrent, kForward});
  p.sense.push_back({SenseNode::kLoadCurrent, kForward});
  p.sense.push_back({SenseNode::kBatteryCurrent, kBothWays});
  return p;
}

TEST(ShuntAmplifier, RestsAtTheCurrentOfItsBranch) {
  const CircuitParams p = with_amplifiers();
  const Circuit circuit{p};
  for (const bool charging : {false, true}) {
    Conditions c = ridge_forenoon();
    c.gate_on = charging;
    c.loads[3].on = !charging;  // 6 A of heater behind the switch
    const CircuitState state = circuit.at_rest(ridge_rested(), c);
    const Probes q = circuit.probe(state, c);
    const auto rest_v = [&](std::size_t i, double a) { return resting_pin_v(p.sense[i], a, 5.0, 15.0); };
    EXPECT_NEAR(q.sense_v[3], rest_v(3, q.charge_a), 1e-7);
    EXPECT_NEAR(q.sense_v[4], rest_v(4, q.load_a - 0.05), 1e-7) << "the monitor hangs on the bus, past the switch";
    EXPECT_NEAR(q.sense_v[5], rest_v(5, q.battery_a), 1e-7);
    EXPECT_EQ(q.battery_a < 0.0, !charging);
  }
}

TEST(ShuntAmplifier, FollowsAStepWithTheTimeConstantOfItsCapacitor) {
  CircuitParams p;
  p.stage.quiescent_a = 0.0;
  p.load_switch_ohm = 1e-4;
  LeadAcidParams b;
  b.r_series_ohm = b.r_fast_ohm = b.r_slow_ohm = 1e-5;
  p.battery = b;
  p.battery_cable_ohm = 1e-5;
  p.loads.push_back({ConstantCurrentParams{8.0, 1.0}, false});
  p.sense.push_back({SenseNode::kLoadCurrent, kForward});
  const Circuit circuit{p};
  Conditions c;
  c.loads[0].on = true;
  CircuitState state = circuit.at_rest({}, c);
  EXPECT_NEAR(state.sense_v[0], 0.025, 1e-9) << "the offset, amplified";
  c.load_switch_on = true;
  double worst_v = 0.0;
  for (const double t : {1e-5, 5e-5, 1e-4, 2e-4, 1e-3, 2e-2}) {
    ASSERT_EQ(circuit.advance(state, c, from_seconds(t), nullptr), AdvanceStatus::kOk);
    worst_v = std::max(worst_v, std::abs(state.sense_v[0] - 0.025 - 2.0 * -std::expm1(-t / 1e-4)));
  }
  EXPECT_LT(worst_v, 1e-5);
  std::printf("amplifier with RC after a step of 8 A, against its exponential: %.1e V\n", worst_v);
}

/// The RC of each amplifier fed with the currents as they are told, straight from sample to sample.
class Filters final : public StepObserver {
 public:
  Filters(const Circuit& circuit, const CircuitState& start) : circuit_{circuit}, last_{start.now} {
    for (std::size_t i = 0; i < 3; ++i) pin_v[i] = start.sense_v[3 + i];
  }
  void restart(const CircuitState& state, const Conditions& c) { output_v_ = outputs(state, c); }
  void on_step(const CircuitState& state, const Conditions& c, const Probes&) override {
    const std::array<double, 3> next = outputs(state, c);
    const double h = in_seconds(state.now - last_);
    for (std::size_t i = 0; i < 3; ++i) {
      const double tau = i == 2 ? 1e-3 : 1e-4;
      const double left = std::exp(-h / tau);
      const double slope = (next[i] - output_v_[i]) / h;
      pin_v[i] = next[i] - slope * tau + (pin_v[i] - output_v_[i] + slope * tau) * left;
    }
    output_v_ = next;
    last_ = state.now;
  }
  std::array<double, 3> pin_v{};

 private:
  [[nodiscard]] std::array<double, 3> outputs(const CircuitState& state, const Conditions& c) const {
    const Probes q = circuit_.probe(state, c);
    return {amplifier_at(kForward, q.charge_a, 5.0).output_v, amplifier_at(kForward, q.load_a - 0.05, 5.0).output_v,
            amplifier_at(kBothWays, q.battery_a, 5.0).output_v};
  }
  const Circuit& circuit_;
  Nanos last_;
  std::array<double, 3> output_v_{};
};

TEST(ShuntAmplifier, TakesThePulsesOfTheStageAsFineStepsOfItsFilterDo) {
  const CircuitParams p = with_amplifiers();
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  c.loads[2].on = true;  // a lamp, for a load that moves
  CircuitState coarse = circuit.at_rest(ridge_rested(), c);
  CircuitState fine = coarse;
  Filters filters{circuit, fine};
  double worst_v = 0.0;
  constexpr Nanos kGrain{500};
  for (int cycle = 0; cycle < 6; ++cycle) {
    for (const bool on : {true, false}) {
      c.gate_on = on;
      const Nanos to{kPwmPeriod.count() * cycle + (on ? kPwmPeriod.count() / 3 : kPwmPeriod.count())};
      filters.restart(fine, c);
      while (fine.now < to) {
        ASSERT_EQ(circuit.advance(fine, c, std::min(to, fine.now + kGrain), &filters), AdvanceStatus::kOk);
      }
      ASSERT_EQ(circuit.advance(coarse, c, to, nullptr), AdvanceStatus::kOk);
      for (std::size_t i = 0; i < 3; ++i) {
        worst_v = std::max(worst_v, std::abs(coarse.sense_v[3 + i] - filters.pin_v[i]));
      }
    }
  }
  EXPECT_LT(worst_v, 2e-5);
  std::printf("amplifiers under PWM against their filters in steps of 0.5 us: %.3f mV\n", 1e3 * worst_v);
}

TEST(ShuntAmplifier, HasFaultsLikeEveryChannel) {
  const CircuitParams p = with_amplifiers();
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  c.loads[3].on = true;
  const CircuitState start = circuit.at_rest(ridge_rested(), c);
  const auto after = [&](SenseFaultKind kind) {
    CircuitState state = start;
    Conditions faulty = c;
    faulty.sense_faults[4] = kind;
    EXPECT_EQ(circuit.advance(state, faulty, from_seconds(0.01), nullptr), AdvanceStatus::kOk);
    return state.sense_v[4];
  };
  EXPECT_GT(start.sense_v[4], 1.0);
  EXPECT_NEAR(after(SenseFaultKind::kShortToGround), 0.0, 1e-3);
  EXPECT_NEAR(after(SenseFaultKind::kShortToSupply), 5.0, 1e-3);
  EXPECT_NEAR(after(SenseFaultKind::kOpen), start.sense_v[4], 1e-9) << "the capacitor is left alone";
}

TEST(ShuntAmplifier, IsRefusedAtAVoltageAndADividerAtACurrent) {
  Problems problems;
  SenseParams{SenseNode::kBus, kForward}.check(problems);
  SenseParams{SenseNode::kLoadCurrent, DividerParams{}}.check(problems);
  ASSERT_EQ(problems.list().size(), 2U);
  EXPECT_EQ(problems.list()[0].field, "node");
  EXPECT_EQ(problems.list()[1].field, "node");
}

}  // namespace
}  // namespace dawnrig::plant
