// Plant, panel: the source as the circuit sees it, with the faults of its wiring, and the wind over its cells.
#include "plant/panel/source.h"

#include <gtest/gtest.h>

#include <cmath>

#include "fixture.h"
#include "panel_slopes.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

constexpr double kCableOhm = 0.1;

ArrayParams two_halves() {
  ArrayParams p;
  p.substring = ridge_repeater().panel;
  p.substring.modified_ideality_v *= 0.5;
  p.substring.series_resistance_ohm *= 0.5;
  p.substring.shunt_resistance_ohm *= 0.5;
  p.series = 2;
  return p;
}

TEST(PanelSource, ThatIsPlainAndSoundIsTheSingleDiodeBitForBit) {
  const PanelParams p = ridge_repeater().panel;
  const PanelSource source{p, std::nullopt, kCableOhm};
  const SingleDiodePanel panel{p, kCableOhm};
  PanelScratch one;
  PanelScratch two;
  for (int i = -20; i < 240; ++i) {
    const PanelPoint a = source.at(0.2 * i, 777.0, 31.0, one);
    const PanelPoint b = panel.at(0.2 * i, 777.0, 31.0, two);
    ASSERT_EQ(a.current_a, b.current_a);
    ASSERT_EQ(a.d_voltage, b.d_voltage);
    ASSERT_EQ(a.d_degc, b.d_degc);
    ASSERT_EQ(a.d_poa, b.d_poa);
  }
  EXPECT_EQ(source.warming_k_per_wpm2(9.0), panel.warming_k_per_wpm2());
}

TEST(PanelSource, ReversedPushesItsCurrentBackwardsAndShowsItsVoltageBelowZero) {
  for (const bool as_array : {false, true}) {
    const PanelSource source{ridge_repeater().panel, as_array ? std::optional{two_halves()} : std::nullopt, kCableOhm};
    PanelScratch sound;
    PanelScratch reversed;
    reversed.fault = PanelFaultKind::kReversed;
    EXPECT_NEAR(source.at(0.0, 1000.0, 25.0, reversed).current_a, -source.at(0.0, 1000.0, 25.0, sound).current_a,
                1e-12);
    EXPECT_NEAR(source.open_circuit_v(1000.0, 25.0, reversed), -source.open_circuit_v(1000.0, 25.0, sound), 1e-9);
    EXPECT_NEAR(source.at(source.open_circuit_v(1000.0, 25.0, reversed), 1000.0, 25.0, reversed).current_a, 0.0, 1e-6);
  }
}

TEST(PanelSource, ReversedAcrossAChargedCapacitorEmptiesItThroughItsBypassDiodes) {
  const PanelSource source{ridge_repeater().panel, two_halves(), kCableOhm};
  PanelScratch reversed;
  reversed.fault = PanelFaultKind::kReversed;
  // Two diodes of half a volt, then the cable: (24 - 1.1) V over 0.1 ohm.
  EXPECT_NEAR(source.at(24.0, 800.0, 25.0, reversed).current_a, -(24.0 - 1.1) / kCableOhm, 2.0);
}

TEST(PanelSource, ShortedGivesTheCircuitNothingAndTakesFromItThroughItsCable) {
  for (const bool as_array : {false, true}) {
    const PanelSource source{ridge_repeater().panel, as_array ? std::optional{two_halves()} : std::nullopt, kCableOhm};
    PanelScratch shorted;
    shorted.fault = PanelFaultKind::kShorted;
    const double open_v = source.open_circuit_v(1000.0, 25.0, shorted);
    EXPECT_NEAR(open_v, 0.08, 0.001);
    EXPECT_NEAR(source.at(open_v, 1000.0, 25.0, shorted).current_a, 0.0, 1e-3);
    // 8 A of the panel and 12 V behind the cable meet in the short: u (1/short + 1/cable) = 8 A + 12 V/cable.
    const double u = (8.0 + 12.0 / kCableOhm) / (1.0 / PanelSource::kShortOhm + 1.0 / kCableOhm);
    EXPECT_NEAR(source.at(12.0, 1000.0, 25.0, shorted).current_a, (u - 12.0) / kCableOhm, 0.1);
    // Whatever hangs on it sees the cable at least: a cold cable, of less than its resistance at 20 degC, has a
    // solution.
    for (const double v : {-50.0, -1.0, 0.0, 5.0, 40.0}) {
      const double slope = source.at(v, 1000.0, 25.0, shorted).d_voltage;
      EXPECT_LT(slope, 0.0) << v;
      EXPECT_GE(slope, -1.0 / kCableOhm) << v;
    }
  }
}

TEST(PanelSource, SlopesAreThoseOfTheCurrentUnderEveryFault) {
  for (const PanelFaultKind fault : {PanelFaultKind::kNone, PanelFaultKind::kReversed, PanelFaultKind::kShorted}) {
    const PanelSource source{ridge_repeater().panel, two_halves(), kCableOhm};
    PanelScratch s;
    s.fault = fault;
    for (const double v : {-30.0, -2.0, 0.5, 20.0}) {
      expect_slopes_of_the_current(source, v, s, 1e-6);
    }
  }
}

// 800 W/m2 over (25.0 + 6.84 w): 32.0 K in still air, 20.7 K at 2 m/s, 8.6 K at 10 m/s.
TEST(PanelSource, CellsRunCoolerInTheWind) {
  PanelParams p = ridge_repeater().panel;
  p.faiman = FaimanParams{};
  const PanelSource source{p, std::nullopt, kCableOhm};
  EXPECT_NEAR(800.0 * source.warming_k_per_wpm2(0.0), 32.0, 0.01);
  EXPECT_NEAR(800.0 * source.warming_k_per_wpm2(2.0), 20.68, 0.01);
  EXPECT_NEAR(800.0 * source.warming_k_per_wpm2(10.0), 8.57, 0.01);
}

// The whole circuit: at noon, with the sun on half of the array, the panel works below the battery's voltage no more.
TEST(ShadedCircuit, ClosesItsBooksAndChargesLess) {
  CircuitParams p = ridge_repeater();
  p.array = two_halves();
  const Circuit circuit{p};
  const auto charged_ah = [&](double light_frac, double& residual, double& given) {
    Conditions c = ridge_forenoon();
    c.panel_shade.light_frac[0] = light_frac;
    CircuitState state = circuit.at_rest(ridge_rested(), c);
    const CircuitState start = state;
    for (int i = 0; i < 50; ++i) {
      EXPECT_EQ(pwm_cycle(circuit, state, c, 0.6), AdvanceStatus::kOk);
    }
    residual = circuit.books_residual_j(start, state);
    given = state.books.panel_j - start.books.panel_j;
    return state.books.battery_charge_ah;
  };
  double residual = 0.0;
  double given = 0.0;
  const double full_ah = charged_ah(1.0, residual, given);
  EXPECT_LT(std::abs(residual), 1e-5 * given);
  const double shaded_ah = charged_ah(0.3, residual, given);
  EXPECT_LT(std::abs(residual), 1e-4 * given);
  EXPECT_LT(shaded_ah, 0.6 * full_ah);
}

TEST(ShadedCircuit, WithAnUnshadedArrayIsTheSingleDiodeCircuitButForTheLeakOfItsBypassDiodes) {
  const Circuit plain{ridge_repeater()};
  CircuitParams p = ridge_repeater();
  p.array = two_halves();
  const Circuit array{p};
  Conditions c = ridge_forenoon();
  CircuitState a = plain.at_rest(ridge_rested(), c);
  CircuitState b = array.at_rest(ridge_rested(), c);
  for (int i = 0; i < 20; ++i) {
    ASSERT_EQ(pwm_cycle(plain, a, c, 0.7), AdvanceStatus::kOk);
    ASSERT_EQ(pwm_cycle(array, b, c, 0.7), AdvanceStatus::kOk);
  }
  EXPECT_NEAR(b.bus_v, a.bus_v, 1e-4);
  EXPECT_NEAR(b.books.panel_j / a.books.panel_j, 1.0, 1e-5);
}

TEST(ShadedCircuit, WithAShortedOrReversedPanelGoesOnWithoutIt) {
  CircuitParams p = ridge_repeater();
  p.array = two_halves();
  const Circuit circuit{p};
  for (const PanelFaultKind fault : {PanelFaultKind::kShorted, PanelFaultKind::kReversed}) {
    Conditions c = ridge_forenoon();
    CircuitState state = circuit.at_rest(ridge_rested(), c);
    c.panel_fault = fault;
    for (int i = 0; i < 5; ++i) ASSERT_EQ(pwm_cycle(circuit, state, c, 0.6), AdvanceStatus::kOk);
    const Probes seen = circuit.probe(state, c);
    EXPECT_LT(seen.input_v, 0.3);
    EXPECT_LT(seen.battery_a, 0.0) << "the battery carries the loads alone";
    EXPECT_GT(seen.battery_a, -3.0) << "and nothing flows back into the panel";
  }
}

}  // namespace
}  // namespace dawnrig::plant
