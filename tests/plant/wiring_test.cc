// Plant, wiring: cables, contacts, fuses, and the heat sink of the stage that the same steps follow.
#include "plant/wiring/wiring.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "fixture.h"
#include "plant/wiring/bounce.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

constexpr double kCopperPerK = 0.00393;

// A resistive load that takes what it is told, in the dark, wired to the battery.
CircuitParams dark_hut(double load_ohm) {
  CircuitParams p = ridge_repeater();
  p.loads.clear();
  p.sense.clear();
  p.loads.push_back({ResistiveParams{load_ohm}, true});
  return p;
}

Conditions dark() {
  Conditions c;
  c.loads[0].on = true;
  return c;
}

double blown_after_s(const CircuitParams& p, double limit_s, Nanos stretch) {
  const Circuit circuit{p};
  Conditions c = dark();
  CircuitState state = circuit.at_rest({}, c);
  state.battery_fuse = {};
  while (!state.battery_fuse.blown && in_seconds(state.now) < limit_s) {
    EXPECT_EQ(circuit.advance(state, c, state.now + stretch, nullptr), AdvanceStatus::kOk);
  }
  return in_seconds(state.now);
}

TEST(Cables, WarmWithTheirSurroundingsAsCopperDoes) {
  CircuitParams p = ridge_repeater();
  p.cable_per_k = kCopperPerK;
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  c.gate_on = true;
  CircuitState state = circuit.at_rest(ridge_rested(), c);
  for (const double degc : {-20.0, 20.0, 60.0}) {
    c.ambient_degc = degc;
    const Probes seen = circuit.probe(state, c);
    const double factor = 1.0 + kCopperPerK * (degc - 20.0);
    EXPECT_NEAR(seen.terminal_v, seen.bus_v - 0.01 * factor * seen.battery_a, 1e-9) << degc;
    EXPECT_NEAR(seen.panel_v, seen.input_v + 0.1 * factor * seen.panel_a, 1e-9) << degc;
  }
}

// The panel behind a worse cable than its model was built with is the panel of a model built with the worse cable.
TEST(Cables, MoreResistanceToThePanelIsAsGoodAsAModelBuiltWithIt) {
  for (const double scale : {0.3, 1.0, 8.0, 900.0}) {
    CircuitParams worse = ridge_repeater();
    worse.panel_cable_ohm = 0.1 * scale;
    const Circuit built{worse};
    const Circuit told{ridge_repeater()};
    Conditions c = ridge_forenoon();
    Conditions scaled = c;
    scaled.panel_cable_scale = scale;
    c.gate_on = scaled.gate_on = true;
    CircuitState a = built.at_rest(ridge_rested(), c);
    CircuitState b = told.at_rest(ridge_rested(), scaled);
    for (const std::int64_t ns : {1'000'000, 2'000'000'000}) {
      ASSERT_EQ(built.advance(a, c, Nanos{ns}, nullptr), AdvanceStatus::kOk);
      ASSERT_EQ(told.advance(b, scaled, Nanos{ns}, nullptr), AdvanceStatus::kOk);
      EXPECT_NEAR(b.input_v, a.input_v, 1e-6) << scale;
      EXPECT_NEAR(told.probe(b, scaled).panel_a, built.probe(a, c).panel_a, 1e-6) << scale;
      EXPECT_NEAR(told.probe(b, scaled).panel_v, built.probe(a, c).panel_v, 1e-6) << scale;
      EXPECT_NEAR(b.books.wiring_j, a.books.wiring_j, 1e-5 * (1e-3 + a.books.wiring_j)) << scale;
    }
  }
}

TEST(Contacts, ThatCorrodeDropVoltageAndTheBooksSayWhere) {
  const Circuit circuit{ridge_repeater()};
  Conditions c = ridge_forenoon();
  c.battery_contact_ohm = 0.25;
  c.panel_contact_ohm = 1.5;
  c.gate_on = true;
  const CircuitState start = circuit.at_rest(ridge_rested(), c);
  CircuitState state = start;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(10.0), nullptr), AdvanceStatus::kOk);
  const Probes seen = circuit.probe(state, c);
  EXPECT_NEAR(seen.bus_v - seen.terminal_v, 0.26 * seen.battery_a, 1e-9);
  EXPECT_NEAR(seen.panel_v - seen.input_v, 1.6 * seen.panel_a, 1e-9);
  EXPECT_NEAR(circuit.books_residual_j(start, state) / state.books.panel_j, 0.0, 1e-6);
  EXPECT_GT(state.books.wiring_j, 10.0 * (1.5 * 25.0));
}

TEST(Fuse, MeltsAfterItsIntegralInAShortAndHoldsWhatItCarries) {
  const FuseParams fuse{10.0, 200.0, 0.0};
  FuseState state;
  double t_s = 0.0;
  while (!warm_fuse(fuse, 100.0 * 100.0, 1e-5, state)) t_s += 1e-5;
  EXPECT_NEAR(t_s, 200.0 / 1e4, 2e-4) << "a short: melting over current squared";
  state = {};
  EXPECT_FALSE(warm_fuse(fuse, 99.9, 1e6, state)) << "just below what it carries";
  EXPECT_NEAR(state.heat_a2s, 0.999 * 200.0, 1e-6);
  state = {};
  EXPECT_TRUE(warm_fuse(fuse, 100.1, 1e6, state)) << "just above";
  EXPECT_FALSE(warm_fuse(fuse, 1e6, 1.0, state)) << "blows once";
  EXPECT_TRUE(state.blown);
}

TEST(Fuse, OpensTheBatteryForGoodAndAtTheSameTimeHoweverTheRunIsSplit) {
  CircuitParams p = dark_hut(0.6);
  p.battery_fuse = FuseParams{20.0, 400.0, 0.0};
  // 25 V on 0.618 ohm; one time constant of 1 s, carrying 20 A: ln(1/(1 - (20/i)^2)).
  const Circuit circuit{p};
  const double i = -circuit.probe(circuit.at_rest({}, dark()), dark()).battery_a;
  const double expected_s = -std::log1p(-std::pow(20.0 / i, 2));
  const double coarse_s = blown_after_s(p, 5.0, Nanos{1'000'000});
  const double fine_s = blown_after_s(p, 5.0, Nanos{50'000});
  EXPECT_NEAR(coarse_s, expected_s, 0.02);
  EXPECT_NEAR(coarse_s, fine_s, 2e-3);
  EXPECT_EQ(blown_after_s(p, 5.0, Nanos{1'000'000}), coarse_s) << "every time alike";
  Conditions c = dark();
  CircuitState state = circuit.at_rest({}, c);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(5.0), nullptr), AdvanceStatus::kOk);
  EXPECT_TRUE(state.battery_fuse.blown);
  EXPECT_NEAR(state.bus_v, 0.0, 1e-3) << "the rest of the stretch went by without a battery";
  EXPECT_EQ(circuit.probe(state, c).battery_a, 0.0);
  EXPECT_GT(circuit.probe(state, c).terminal_v, 23.0);
  c.battery_connected = false;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(6.0), nullptr), AdvanceStatus::kOk);
  c.battery_connected = true;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(7.0), nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(circuit.probe(state, c).battery_a, 0.0) << "plugging in again does not mend it";
}

TEST(Fuse, InThePanelsCableEndsTheCharge) {
  CircuitParams p = ridge_repeater();
  p.panel_fuse = FuseParams{4.0, 20.0, 0.02};
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  c.gate_on = true;
  CircuitState state = circuit.at_rest(ridge_rested(), c);
  EXPECT_FALSE(state.panel_fuse.blown);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(30.0), nullptr), AdvanceStatus::kOk);
  EXPECT_TRUE(state.panel_fuse.blown);
  EXPECT_EQ(circuit.probe(state, c).panel_a, 0.0);
  EXPECT_GT(circuit.probe(state, c).panel_v, 35.0) << "the panel's own terminals stand open";
}

TEST(Fuse, TakesTheMeanSquareOfAPulsedCurrent) {
  EXPECT_DOUBLE_EQ(mean_square_a2(3.0, 3.0, 3.0), 9.0);
  EXPECT_NEAR(mean_square_a2(0.0, 1.5, 3.0), 3.0, 1e-12) << "a ramp";
  EXPECT_NEAR(mean_square_a2(0.0, 1.0 / 3.0, 1.0), 0.2, 1e-12) << "a parabola";
}

TEST(Bounce, AlternatesWithinItsTimeAndEndsAsToldAndDrawsTheSameAgain) {
  for (const bool ends_closed : {true, false}) {
    for (const int closures : {1, 7, 200}) {
      const BounceParams params{ends_closed, closures, Nanos{20'000'000}, 42};
      const std::vector<Contact> all = bounce(params);
      ASSERT_EQ(all.size(), 2U * static_cast<std::size_t>(closures));
      EXPECT_EQ(all.front().after, Nanos{0});
      EXPECT_EQ(all.back().after, params.over);
      EXPECT_EQ(all.back().closed, ends_closed);
      for (std::size_t i = 1; i < all.size(); ++i) {
        EXPECT_GT(all[i].after, all[i - 1].after);
        EXPECT_NE(all[i].closed, all[i - 1].closed);
      }
      const std::vector<Contact> again = bounce(params);
      EXPECT_TRUE(std::equal(all.begin(), all.end(), again.begin(),
                             [](const Contact& a, const Contact& b) { return a.after == b.after; }));
      BounceParams other = params;
      other.seed = 43;
      if (closures > 1) {
        EXPECT_NE(bounce(other)[1].after, all[1].after);
      }
    }
  }
}

TEST(HeatSink, WarmsWithTheLossOfTheStageToWhatItsResistanceSays) {
  CircuitParams p = ridge_repeater();
  p.loads.clear();
  p.stage.heat_sink = HeatSinkParams{8.0, 10.0};
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  c.gate_on = true;
  CircuitState state = circuit.at_rest(ridge_rested(), c);
  EXPECT_EQ(state.stage_degc, 15.0);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(80.0), nullptr), AdvanceStatus::kOk);
  const double loss_w = state.books.stage_j / 80.0;
  EXPECT_GT(loss_w, 1.0);
  EXPECT_NEAR(state.stage_degc, 15.0 + loss_w * 8.0 * (1.0 - std::exp(-1.0)), 0.3) << "one time constant";
  ASSERT_EQ(circuit.advance(state, c, from_seconds(1200.0), nullptr), AdvanceStatus::kOk);
  const double now_w = (state.input_v - state.bus_v) * circuit.probe(state, c).charge_a;
  EXPECT_NEAR(state.stage_degc, 15.0 + 8.0 * now_w, 0.2);
}

TEST(HeatSink, IsHeldWhereItIsToldToAndGoesOnFromThere) {
  CircuitParams p = ridge_repeater();
  p.loads.clear();
  p.stage.heat_sink = HeatSinkParams{8.0, 10.0};
  const ThermistorInputParams thermistor{4700.0, 10e3, 3950.0, 100e-9};
  p.sense.push_back({SenseNode::kStageTemperature, thermistor});
  const Circuit circuit{p};
  Conditions c = ridge_forenoon();
  c.gate_on = true;
  CircuitState state = circuit.at_rest(ridge_rested(), c);
  const auto pin_at = [&](double degc) { return resting_pin_v(p.sense.back(), degc, c.supply_v, 25.0); };
  const std::size_t pin = p.sense.size() - 1;
  EXPECT_NEAR(state.sense_v[pin], pin_at(15.0), 1e-4) << "as warm as the surroundings";
  c.stage_held_at_temperature = true;
  c.stage_held_degc = 85.0;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(0.1), nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(circuit.probe(state, c).stage_degc, 85.0);
  EXPECT_NEAR(state.sense_v[pin], pin_at(85.0), 1e-4);
  ASSERT_EQ(circuit.advance(state, c, from_seconds(100.0), nullptr), AdvanceStatus::kOk);
  EXPECT_EQ(state.stage_degc, 85.0);
  c.stage_held_at_temperature = false;
  ASSERT_EQ(circuit.advance(state, c, from_seconds(180.0), nullptr), AdvanceStatus::kOk);
  const double loss_w = (state.input_v - state.bus_v) * circuit.probe(state, c).charge_a;
  const double settled_degc = 15.0 + 8.0 * loss_w;
  EXPECT_NEAR(state.stage_degc, settled_degc + (85.0 - settled_degc) * std::exp(-1.0), 0.5) << "one time constant";
}

TEST(HeatSink, AWarmStageDropsLessInItsDiodeAndMoreInItsSwitch) {
  CircuitParams p = ridge_repeater();
  p.stage.heat_sink = HeatSinkParams{};
  p.stage.blocking_diode.follows_temperature = true;
  const auto drop_v = [](const CircuitParams& params, double degc) {
    const Circuit circuit{params};
    Conditions c = ridge_forenoon();
    c.gate_on = true;
    CircuitState state = circuit.at_rest(ridge_rested(), c);
    state.stage_degc = degc;
    EXPECT_EQ(circuit.advance(state, c, Nanos{1'000'000}, nullptr), AdvanceStatus::kOk);
    return state.input_v - state.bus_v;
  };
  EXPECT_LT(drop_v(p, 85.0), drop_v(p, 25.0) - 0.03);
  p.stage.blocking_diode.follows_temperature = false;
  EXPECT_NEAR(drop_v(p, 85.0), drop_v(p, 25.0), 1e-9);
  p.stage.switch_per_k = 0.006;
  EXPECT_NEAR(drop_v(p, 85.0) - drop_v(p, 25.0), 0.01 * 0.006 * 60.0 * 6.4, 2e-3);
  for (const Freewheel freewheel : {Freewheel::kDiode, Freewheel::kUntilZero}) {
    BuckParams b;
    b.freewheel = freewheel;
    p.stage.topology = b;
    EXPECT_GT(drop_v(p, 85.0), drop_v(p, 25.0)) << "a buck stage likewise";
  }
}

}  // namespace
}  // namespace dawnrig::plant
