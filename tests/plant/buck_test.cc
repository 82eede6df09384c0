// Plant, stage: the step-down stage: its switching node, both kinds of conduction, its faults and its books.
#include "plant/stage/buck.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "fixture.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

constexpr Nanos kPeriod{32'000};  // 31.25 kHz

CircuitParams buck_params(Freewheel freewheel, bool blocks_reverse = true) {
  CircuitParams p = ridge_repeater(220e-6);
  BuckParams b;
  b.freewheel = freewheel;
  b.blocks_reverse = blocks_reverse;
  p.stage.topology = b;
  return p;
}

AdvanceStatus cycle(const Circuit& circuit, CircuitState& state, Conditions& c, double duty) {
  const Nanos start = state.now;
  c.gate_on = true;
  const AdvanceStatus status =
      circuit.advance(state, c, start + Nanos{std::llround(duty * static_cast<double>(kPeriod.count()))}, nullptr);
  if (status != AdvanceStatus::kOk) return status;
  c.gate_on = false;
  return circuit.advance(state, c, start + kPeriod, nullptr);
}

// With a driver that is not awake yet, so that nothing conducts but diodes.
CircuitState asleep(const Circuit& circuit, Conditions c, double poa_wpm2) {
  c.switch_fault = SwitchFaultKind::kDriverDead;
  c.sun.poa_wpm2 = poa_wpm2;
  InitialConditions rest = ridge_rested();
  rest.poa_wpm2 = poa_wpm2;
  return circuit.at_rest(rest, c);
}

double diode_a(const DiodeParams& d, double more_ohm, double u) {
  const double vt = d.emission_coefficient * 8.617333262e-5 * 298.15;
  const double ohm = d.series_resistance_ohm + more_ohm;
  const double floor_a = -d.saturation_current_a * (1.0 - 1e-15);
  return bisect(floor_a, 1e6, [&](double i) { return vt * std::log1p(i / d.saturation_current_a) + ohm * i - u; });
}

// Kirchhoff at the switching node, with the diodes solved by bisection.
TEST(BuckStage, ItsNodeObeysKirchhoffWhateverConducts) {
  for (const Freewheel freewheel : {Freewheel::kDiode, Freewheel::kComplementary}) {
    for (const bool blocks : {true, false}) {
      StageParams s;
      BuckParams b;
      b.freewheel = freewheel;
      b.blocks_reverse = blocks;
      const BuckStage stage{s, b};
      BuckStage::Scratch scratch;
      for (const double input_v : {40.0, 26.0, 5.0, 0.0}) {
        for (const double inductor_a : {12.0, 0.3, 0.0, -2.0}) {
          for (const BuckDrive drive : {BuckDrive{true, false}, BuckDrive{false, true}, BuckDrive{false, false}}) {
            BuckPoint q;
            ASSERT_TRUE(stage.at(input_v, 25.0, inductor_a, drive, scratch, q));
            double main_a = 0.0;
            if (drive.main_on) {
              main_a = blocks ? diode_a(s.blocking_diode, 0.01, input_v - q.node_v) : (input_v - q.node_v) / 0.01;
            } else if (!blocks) {
              main_a = -diode_a(b.body_diode, 0.0, q.node_v - input_v);
            }
            const bool transistor = freewheel == Freewheel::kComplementary && drive.freewheel_on;
            const double freewheel_a = transistor ? -q.node_v / 0.01 : diode_a(b.freewheel_diode, 0.0, -q.node_v);
            const double out_a = inductor_a + (q.node_v - 25.0) / 2e3;
            EXPECT_NEAR(main_a + freewheel_a, out_a, 1e-6 * (1.0 + std::abs(main_a)))
                << input_v << " V in, " << inductor_a << " A";
            EXPECT_NEAR(q.from_input_a, main_a, 1e-6 * (1.0 + std::abs(main_a)));
            EXPECT_NEAR(q.into_bus_a, out_a, 1e-9);
          }
        }
      }
    }
  }
}

TEST(BuckStage, ItsSlopesAreThoseOfItsCurrents) {
  const StageParams s;
  BuckParams b;
  b.freewheel = Freewheel::kUntilZero;
  b.blocks_reverse = false;
  const BuckStage stage{s, b};
  for (const BuckDrive drive : {BuckDrive{true, false}, BuckDrive{false, true}, BuckDrive{false, false}}) {
    for (const double inductor_a : {6.0, 0.004, -0.5}) {
      const std::array<double, 3> at{33.0, 25.0, inductor_a};
      BuckStage::Scratch scratch;
      BuckPoint q;
      ASSERT_TRUE(stage.at(at[0], at[1], at[2], drive, scratch, q));
      for (std::size_t i = 0; i < 3; ++i) {
        constexpr double kStep = 1e-5;
        std::array<double, 3> up = at;
        std::array<double, 3> down = at;
        up[i] += kStep;
        down[i] -= kStep;
        BuckPoint above;
        BuckPoint below;
        ASSERT_TRUE(stage.at(up[0], up[1], up[2], drive, scratch, above));
        ASSERT_TRUE(stage.at(down[0], down[1], down[2], drive, scratch, below));
        const auto slope = [&](double BuckPoint::*of) { return (above.*of - below.*of) / (2.0 * kStep); };
        EXPECT_NEAR(slope(&BuckPoint::from_input_a), q.from_input_d_state[i],
                    1e-4 * (1.0 + std::abs(q.from_input_d_state[i])));
        EXPECT_NEAR(slope(&BuckPoint::into_bus_a), q.into_bus_d_state[i], 1e-4);
        EXPECT_NEAR(slope(&BuckPoint::inductor_a_per_s) * 33e-6, q.inductor_d_state[i] * 33e-6,
                    1e-4 * (1.0 + std::abs(q.inductor_d_state[i] * 33e-6)));
      }
    }
  }
}

// Over a settled cycle the inductor gains nothing: D times what is across it while on is (1 - D) times what is off.
TEST(Buck, InContinuousConductionTheInputStandsAtTheBusOverTheDuty) {
  const Circuit circuit{buck_params(Freewheel::kComplementary, false)};
  Conditions c = ridge_forenoon();
  CircuitState state = asleep(circuit, c, 800.0);
  for (const double duty : {0.9, 0.75}) {
    for (int i = 0; i < 1500; ++i) ASSERT_EQ(cycle(circuit, state, c, duty), AdvanceStatus::kOk);
    const double charge_a = circuit.probe(state, c).charge_a;
    EXPECT_NEAR(state.input_v, (state.bus_v + 0.03 * charge_a) / duty, 0.25) << "duty " << duty;
  }
}

TEST(Buck, InDiscontinuousConductionTheChargeIsThatOfTheTriangle) {
  const Circuit circuit{buck_params(Freewheel::kUntilZero, false)};
  Conditions c = ridge_forenoon();
  CircuitState state = asleep(circuit, c, 800.0);
  constexpr double kDuty = 0.1;
  ASSERT_EQ(cycle(circuit, state, c, kDuty), AdvanceStatus::kOk);
  const CircuitState before = state;
  ASSERT_EQ(cycle(circuit, state, c, kDuty), AdvanceStatus::kOk);
  const double on_s = kDuty * 32e-6;
  const double peak_a = (before.input_v - before.bus_v) * on_s / 33e-6;
  const double fall_s = peak_a * 33e-6 / before.bus_v;
  const double triangle_j = before.bus_v * 0.5 * peak_a * (on_s + fall_s);
  const Books& a = before.books;
  const Books& b = state.books;
  const double given_j = (b.battery_in_j - a.battery_in_j) + (b.loads_j - a.loads_j) + (b.wiring_j - a.wiring_j) +
                         (b.sense_j - a.sense_j) + 110e-6 * (state.bus_v * state.bus_v - before.bus_v * before.bus_v);
  EXPECT_NEAR(given_j / triangle_j, 1.0, 0.03) << "core and conduction losses are that small";
  EXPECT_NEAR(state.inductor_a, 0.0, 1e-3) << "run out";
}

TEST(Buck, AStuckSwitchAndADeadDriverDoWhatTheirCircuitSays) {
  for (const Freewheel freewheel : {Freewheel::kDiode, Freewheel::kUntilZero, Freewheel::kComplementary}) {
    const Circuit circuit{buck_params(freewheel)};
    Conditions c = ridge_forenoon();
    const CircuitState start = asleep(circuit, c, 800.0);
    Conditions dead = c;
    dead.switch_fault = SwitchFaultKind::kDriverDead;
    CircuitState state = start;
    for (int i = 0; i < 50; ++i) ASSERT_EQ(cycle(circuit, state, dead, 0.8), AdvanceStatus::kOk);
    EXPECT_NEAR(circuit.probe(state, dead).charge_a, 0.0, 1e-3) << "no charge, and none lost";
    Conditions stuck = c;
    stuck.switch_fault = SwitchFaultKind::kStuckClosed;
    state = start;
    ASSERT_EQ(circuit.advance(state, stuck, Nanos{20'000'000}, nullptr), AdvanceStatus::kOk);
    if (freewheel == Freewheel::kComplementary) {
      EXPECT_LT(state.input_v, 10.0) << "both transistors conduct: the panel is shorted through them";
      EXPECT_LT(circuit.probe(state, stuck).battery_a, -50.0) << "and the battery through the inductor";
    } else {
      EXPECT_NEAR(circuit.probe(state, stuck).charge_a, circuit.probe(state, stuck).panel_a, 0.05);
      EXPECT_GT(circuit.probe(state, stuck).charge_a, 5.0) << "the panel straight on the battery";
    }
  }
}

TEST(Buck, TheNightDrawsBackOnlyWhereNothingBlocks) {
  for (const bool blocks : {true, false}) {
    const Circuit circuit{buck_params(Freewheel::kUntilZero, blocks)};
    Conditions c = ridge_forenoon();
    c.sun.poa_wpm2 = 0.0;
    CircuitState state = asleep(circuit, c, 0.0);
    ASSERT_EQ(circuit.advance(state, c, from_seconds(3600.0), nullptr), AdvanceStatus::kOk);
    EXPECT_LT(circuit.probe(state, c).panel_a, blocks ? 1e-9 : -1e-4);
    EXPECT_GT(circuit.probe(state, c).panel_a, blocks ? -1e-6 : -1.0);
    EXPECT_EQ(state.input_v > 20.0, !blocks) << state.input_v;
  }
}

TEST(Buck, BooksCloseOverThousandsOfEdges) {
  double worst = 0.0;
  for (const Freewheel freewheel : {Freewheel::kDiode, Freewheel::kUntilZero, Freewheel::kComplementary}) {
    for (const double duty : {0.3, 0.8}) {
      const Circuit circuit{buck_params(freewheel)};
      Conditions c = ridge_forenoon();
      const CircuitState start = asleep(circuit, c, 800.0);
      CircuitState state = start;
      for (int i = 0; i < 1500; ++i) ASSERT_EQ(cycle(circuit, state, c, duty), AdvanceStatus::kOk);
      const double share = circuit.books_residual_j(start, state) / (state.books.panel_j + state.books.loads_j);
      EXPECT_NEAR(share, 0.0, 1e-4) << "duty " << duty;
      EXPECT_GT(state.books.stage_j, 0.0);
      worst = std::max(worst, std::abs(share));
    }
  }
  std::printf("buck stage, books over 9000 cycles: residual %.2g of the energy turned over\n", worst);
}

TEST(Shunt, ShortsThePanelWhileItsGateIsOnAndChargesOtherwise) {
  CircuitParams p = ridge_repeater(100e-9);
  p.stage.topology = ShuntPwmParams{};
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  const CircuitState start = circuit.at_rest(ridge_rested(), c);
  EXPECT_GT(circuit.probe(start, c).charge_a, 5.0);
  c.gate_on = true;
  CircuitState state = start;
  ASSERT_EQ(circuit.advance(state, c, Nanos{1'000'000}, nullptr), AdvanceStatus::kOk);
  Probes seen = circuit.probe(state, c);
  EXPECT_NEAR(state.input_v, 0.01 * seen.panel_a, 1e-6) << "panel current in the on-resistance";
  EXPECT_GT(seen.panel_a, 6.0) << "the short-circuit current goes on";
  EXPECT_NEAR(seen.charge_a, 0.0, 1e-5) << "nothing comes back through the diode but its leakage";
  c.switch_fault = SwitchFaultKind::kDriverDead;
  ASSERT_EQ(circuit.advance(state, c, Nanos{2'000'000}, nullptr), AdvanceStatus::kOk);
  EXPECT_GT(circuit.probe(state, c).charge_a, 5.0) << "a dead driver lets the panel charge for ever";
  c.switch_fault = SwitchFaultKind::kStuckClosed;
  c.gate_on = false;
  ASSERT_EQ(circuit.advance(state, c, Nanos{3'000'000}, nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(circuit.probe(state, c).charge_a, 0.0, 1e-5);
}

TEST(Shunt, BooksCloseOverThousandsOfEdges) {
  CircuitParams p = ridge_repeater(1e-6);
  p.stage.topology = ShuntPwmParams{};
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  const CircuitState start = circuit.at_rest(ridge_rested(), c);
  CircuitState state = start;
  for (int i = 0; i < 1000; ++i) ASSERT_EQ(pwm_cycle(circuit, state, c, 0.4), AdvanceStatus::kOk);
  const double share = circuit.books_residual_j(start, state) / state.books.panel_j;
  EXPECT_NEAR(share, 0.0, 2e-5);
  std::printf("shunt stage, books over 1000 cycles: residual %.2g of the panel's energy\n", std::abs(share));
}

}  // namespace
}  // namespace dawnrig::plant
