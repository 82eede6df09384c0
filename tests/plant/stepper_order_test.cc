// Plant: order of convergence of both integrators on whole circuits, and that splitting a stretch changes nothing that
// matters whatever the stage.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <string>

#include "fixture.h"
#include "plant/core/rodas3.h"
#include "plant/gate_stepper.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

struct Stretch {
  std::string name;
  CircuitParams params;
  Conditions conditions;
  double inductor_a{0.0};
  Nanos length{8'192};
};

CircuitParams with(std::variant<SeriesPwmParams, ShuntPwmParams, BuckParams> topology, double input_f) {
  CircuitParams p = ridge_repeater(input_f);
  p.stage.topology = std::move(topology);
  return p;
}

// From somewhere off balance, with all that moves moving smoothly.
Vector start_of(const Stretch& s) {
  Vector y{};
  y[Slot::kInput] = s.inductor_a != 0.0 ? 36.0 : 26.1;
  y[Slot::kBus] = 25.5;
  y[Slot::kInductor] = s.inductor_a;
  y[Slot::kSoc] = 0.9;
  y[Slot::kFast] = 0.02;
  y[Slot::kSlow] = 0.05;
  y[Slot::kBatteryDegc] = 15.0;
  y[Slot::kCellDegc] = 30.0;
  y[Slot::kPoa] = 800.0;
  if (!s.params.loads.empty()) y[Slot::kFirstLoad + 2] = 0.4;  // a lamp on its way
  return y;
}

std::vector<Stretch> stretches() {
  Conditions on = ridge_forenoon();
  on.gate_on = true;
  on.loads[2].on = true;
  Conditions off = on;
  off.gate_on = false;
  BuckParams diode;
  BuckParams complementary;
  complementary.freewheel = Freewheel::kComplementary;
  complementary.blocks_reverse = false;
  return {{"series, on", with(SeriesPwmParams{}, 220e-6), on},
          {"series, off", with(SeriesPwmParams{}, 220e-6), off},
          {"shunt, charging", with(ShuntPwmParams{}, 10e-6), off},
          {"buck, on", with(diode, 220e-6), on, 8.0},
          {"buck, off", with(diode, 220e-6), off, 8.0},
          {"buck with two transistors, off", with(complementary, 220e-6), off, 8.0}};
}

Vector by_rodas3(const Stretch& s, const CircuitParts& parts, int steps) {
  CircuitSystem system{s.params, parts, s.conditions};
  Rodas3<CircuitSystem> method;
  Vector y = start_of(s);
  const double h = in_seconds(s.length) / steps;
  for (int i = 0; i < steps; ++i) {
    Vector next{};
    Vector error{};
    EXPECT_TRUE(method.begin(system, y));
    system.mark();
    system.linearise(2.0 / h);
    method.predict(system, h);
    EXPECT_TRUE(method.finish(system, y, h, next, error));
    y = next;
  }
  return y;
}

Vector by_gate_stepper(const Stretch& s, const CircuitParts& parts, int steps) {
  CircuitSystem system{s.params, parts, s.conditions};
  GateStepper method{system, Vector{}, 1.0};  // judges nothing, and takes what it is given
  Vector y = start_of(s);
  for (Nanos left = s.length; left > Nanos{0};) left -= method.step(y, s.length / steps);
  return y;
}

// The observed order of the worst of the three storages between two halvings.
template <class Run>
void expect_order(const Stretch& s, const char* method, double order, int steps, const Run& run) {
  const CircuitParts parts{s.params};
  const Vector exact = run(s, parts, steps * 64);
  const auto miss = [&](int n) {
    const Vector y = run(s, parts, n);
    return std::abs(y[Slot::kInput] - exact[Slot::kInput]) + std::abs(y[Slot::kBus] - exact[Slot::kBus]) +
           std::abs(y[Slot::kInductor] - exact[Slot::kInductor]);
  };
  const double first = miss(steps);
  const double second = miss(2 * steps);
  const double third = miss(4 * steps);
  const double seen = std::log2(first / third) / 2.0;
  std::printf("%s on %s: misses %.2g, %.2g, %.2g V and A: order %.2f\n", method, s.name.c_str(), first, second, third,
              seen);
  EXPECT_GT(first, third);
  EXPECT_GT(seen, order - 0.4) << s.name;
}

TEST(StepperOrder, HalvingTheStepOfRodas3DividesTheErrorByEightOnEveryStage) {
  for (const Stretch& s : stretches()) expect_order(s, "Rodas3", 3.0, 16, by_rodas3);
}

// Without loads and sense networks: what these draw is laid out at the end of a step only, and converges by the first
// order, from below 1e-6 V at steps of 16 us.
TEST(StepperOrder, HalvingTheStepOfTheGateStepperDividesTheErrorBySixteen) {
  Stretch s = stretches()[0];
  s.params.loads.clear();
  s.params.sense.clear();
  s.length = Nanos{65'536};
  expect_order(s, "GateStepper", 4.0, 32, by_gate_stepper);
}

// Whole gate intervals against such in pieces: what error control leaves is far below what anyone could see.
TEST(StepperOrder, SplittingAStretchChangesNothingThatMattersWhateverTheStage) {
  for (Stretch& s : stretches()) {
    const Circuit circuit{s.params};
    Conditions c = s.conditions;
    c.switch_fault = SwitchFaultKind::kDriverDead;
    CircuitState whole = circuit.at_rest(ridge_rested(), c);
    CircuitState split = whole;
    c.switch_fault = SwitchFaultKind::kNone;
    for (int i = 1; i <= 60; ++i) {
      c.gate_on = i % 2 == 1;
      const Nanos start = whole.now;
      ASSERT_EQ(circuit.advance(whole, c, start + Nanos{16'000}, nullptr), AdvanceStatus::kOk);
      for (int j = 1; j <= 16; ++j) {
        ASSERT_EQ(circuit.advance(split, c, start + Nanos{1'000 * j}, nullptr), AdvanceStatus::kOk);
      }
    }
    EXPECT_NEAR(split.bus_v, whole.bus_v, 1e-4) << s.name;
    EXPECT_NEAR(split.input_v, whole.input_v, 2e-3) << s.name;
    EXPECT_NEAR(split.inductor_a, whole.inductor_a, 5e-3) << s.name;
    EXPECT_NEAR(split.books.panel_j / whole.books.panel_j, 1.0, 1e-3) << s.name;
  }
}

}  // namespace
}  // namespace dawnrig::plant
