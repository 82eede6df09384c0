// Plant: pins that a converter samples within a step that the circuit has yet to take, against a circuit that is taken
// to each of those instants.
#include "plant/foresight.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "converter_pair.h"

namespace dawnrig::plant {
namespace {

using namespace std::chrono_literals;

TEST(Foresight, ShowsAConverterThePinsThatItWouldFindThere) {
  for (const Board& board : boards()) {
    InitialConditions rest = ridge_rested();
    rest.poa_wpm2 = board.conditions.sun.poa_wpm2;
    ConverterPair pair{board.params, board.conditions, rest};
    pair.follows_pulls = rest.poa_wpm2 == 0.0;
    for (int cycle = 0; cycle < 400 && !HasFailure(); ++cycle) pair.cycle(0.35 + 0.0002 * cycle);
    std::printf("%s: pins within %.4f mV, bus within %.4f mV; %d of %d conversions ahead, %d steps instead of %d\n",
                board.name.c_str(), 1e3 * pair.most_apart_v(), 1e3 * pair.apart_bus_v, pair.behind, pair.conversions,
                pair.heard_ahead.steps, pair.heard_there.steps);
    EXPECT_LT(pair.most_apart_v(), board.within_v) << board.name;
    EXPECT_LT(pair.apart_bus_v, 1e-4) << board.name;
    EXPECT_GT(pair.behind, pair.conversions / 3) << board.name;
    EXPECT_FALSE(pair.heard_ahead.backwards) << board.name;
    EXPECT_EQ(pair.heard_ahead.last, pair.ahead.now) << board.name;
    EXPECT_NEAR(pair.ahead.input_v, pair.there.input_v, 1e-4) << board.name;
    expect_same_books(pair, board.name, board.same_books_frac);
    EXPECT_NEAR(pair.ahead.battery.soc_frac, pair.there.battery.soc_frac, 1e-9) << board.name;
    EXPECT_NEAR(pair.ahead.stage_degc, pair.there.stage_degc, 1e-3) << board.name;
    if (HasFailure()) return;
  }
}

TEST(Foresight, IsForgottenWhereAnEdgeComesBeforeItsEndAndLosesNoPullOfAConversion) {
  ConverterPair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int cycle = 0; cycle < 400; ++cycle) {
    pair.cycle(0.35 + 0.0005 * cycle, 5ms);  // whatever the edges
    ASSERT_FALSE(HasFailure()) << "cycle " << cycle;
  }
  std::printf("edges unforeseen: pins within %.4f mV, bus within %.4f mV\n", 1e3 * pair.most_apart_v(),
              1e3 * pair.apart_bus_v);
  EXPECT_LT(pair.most_apart_v(), 5e-5);
  EXPECT_LT(pair.apart_bus_v, 1e-5);
  EXPECT_GT(pair.behind, pair.conversions / 2);
}

TEST(Foresight, LeavesWhatActsOfItselfToStepsThatEndAtTheConversion) {
  CircuitParams with_fuse = ridge_repeater();
  with_fuse.battery_fuse = FuseParams{};
  CircuitParams with_bursts = ridge_repeater();
  with_bursts.loads.push_back({PulsedParams{}, true});
  Conditions transmitting = ridge_forenoon();
  transmitting.loads[4].on = true;
  CircuitParams with_lockout = ridge_repeater();
  with_lockout.loads.push_back({ConstantPowerParams{.power_w = 10.0, .lockout_v = 18.0, .restart_v = 20.0}, true});
  CircuitParams with_board = ridge_repeater();
  with_board.battery = LiFePo4Params{};
  std::get<LiFePo4Params>(with_board.battery).protection = ProtectionParams{};
  CircuitParams shunt = ridge_repeater();
  shunt.stage.topology = ShuntPwmParams{};
  CircuitParams buck = ridge_repeater();
  buck.stage.topology = BuckParams{};
  for (const auto& [params, conditions] : {std::pair{with_fuse, ridge_forenoon()},
                                           {with_bursts, transmitting},
                                           {with_lockout, transmitting},
                                           {with_board, ridge_forenoon()},
                                           {shunt, ridge_forenoon()},
                                           {buck, ridge_forenoon()}}) {
    ConverterPair pair{params, conditions, ridge_rested()};
    for (int cycle = 0; cycle < 20; ++cycle) pair.cycle(0.4);
    EXPECT_EQ(pair.behind, 0);
    EXPECT_EQ(pair.most_apart_v(), 0.0);
    EXPECT_EQ(pair.heard_ahead.steps, pair.heard_there.steps);
  }
}

// The step that is foreseen there begins at the edge, and the transition is another circuit's.
TEST(Foresight, KeepsTheBooksOfConversionsRightAfterAnEdge) {
  ConverterPair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int cycle = 0; cycle < 1000; ++cycle) {
    for (const bool gate_on : {true, false}) {
      pair.c.gate_on = gate_on;
      const Nanos edge = pair.ahead.now;
      const Nanos end = edge + (gate_on ? kPwmPeriod * (40 + cycle % 7) / 100 : kPwmPeriod * (60 - cycle % 7) / 100);
      if (cycle % 5 != 0) pair.convert(0, edge + 20ns + Nanos{cycle % 11}, end);
      pair.convert(1, edge + 300us, end);
      pair.go_to(end);
      ASSERT_FALSE(HasFailure()) << "cycle " << cycle;
    }
  }
  EXPECT_LT(pair.most_apart_v(), 5e-5);
  expect_same_books(pair, "conversions right after edges");
}

TEST(Foresight, NeedsFewStepsWhileTheGateRests) {
  struct Rest {
    std::string name;
    double poa_wpm2;
    double slope_wpm2_per_s{0.0};
  };
  for (const Rest& at : {Rest{"a night", 0.0}, Rest{"bulk", 800.0}, Rest{"bulk under a cloud's edge", 800.0, -100.0}}) {
    Conditions c = ridge_forenoon();
    c.sun = {Nanos{0}, at.poa_wpm2, at.slope_wpm2_per_s};
    c.gate_on = at.poa_wpm2 > 0.0;
    InitialConditions rest = ridge_rested();
    rest.poa_wpm2 = at.poa_wpm2;
    ConverterPair pair{ridge_repeater(), c, rest};
    pair.follows_pulls = true;
    for (int i = 1; i <= 4000; ++i) pair.convert(static_cast<std::size_t>(i) % 3, i * Nanos{500'000}, 3s);
    pair.go_to(3s);
    std::printf("%s: pins within %.4f mV, bus within %.5f mV, %d steps for %d conversions\n", at.name.c_str(),
                1e3 * pair.most_apart_v(), 1e3 * pair.apart_bus_v, pair.heard_ahead.steps, pair.conversions);
    EXPECT_LT(pair.heard_ahead.steps, pair.conversions / 8) << at.name;
    EXPECT_LT(pair.most_apart_v(), 1e-5) << at.name;
    EXPECT_LT(pair.apart_bus_v, 1e-6) << at.name;
    expect_same_books(pair, at.name);
  }
}

// What the pins are pulled by comes from nowhere; what their nodes give to bring them back is booked.
TEST(Foresight, BooksWhatTheNodesGiveToPinsThatConversionsHavePulled) {
  Conditions night = ridge_forenoon();
  night.sun.poa_wpm2 = 0.0;
  night.loads[0].on = night.loads[1].on = false;
  InitialConditions rest = ridge_rested();
  rest.poa_wpm2 = 0.0;
  ConverterPair pair{ridge_repeater(), night, rest};
  pair.sampling.sampling_capacitance_f = 1e-9;
  for (int i = 1; i <= 4000; ++i) pair.convert(static_cast<std::size_t>(i) % 3, i * Nanos{500'000}, 3s);
  pair.go_to(3s);
  std::printf("books with a large sampling capacitor: open by %.1e J\n",
              pair.circuit.books_residual_j(pair.before, pair.ahead));
  EXPECT_NEAR(pair.circuit.books_residual_j(pair.before, pair.ahead), 0.0, 1e-8);
  EXPECT_NEAR(pair.ahead.books.sense_j, pair.there.books.sense_j, 1e-4 * pair.there.books.sense_j);
}

TEST(Foresight, IsOfNoUseOnceConditionsHaveChangedAndSomebodyHasLooked) {
  Conditions c = ridge_forenoon();
  c.sun.poa_wpm2 = 0.0;
  const Circuit circuit{ridge_repeater()};
  TransitionMemory memory{circuit.params()};
  InitialConditions rest = ridge_rested();
  rest.poa_wpm2 = 0.0;
  CircuitState state = circuit.at_rest(rest, c);
  const auto foreseen = [&](Nanos at) { return Circuit::foresees(state, c, at, memory); };
  EXPECT_FALSE(foreseen(1ms)) << "nothing has been worked out yet";
  EXPECT_TRUE(foreseen(Nanos{0})) << "nothing needs to be";
  ASSERT_EQ(circuit.advance(state, c, 100ms, nullptr, &memory), AdvanceStatus::kOk);
  ASSERT_EQ(circuit.approach(state, c, {103ms, 3s}, nullptr, memory), AdvanceStatus::kOk);
  EXPECT_TRUE(foreseen(104ms));
  EXPECT_FALSE(foreseen(112ms)) << "beyond the end of the step";
  c.sun.poa_wpm2 = 10.0;
  EXPECT_FALSE(foreseen(104ms)) << "another sun";
  c.sun.poa_wpm2 = 0.0;
  c.gate_on = true;
  EXPECT_FALSE(foreseen(104ms)) << "another circuit";
  c.gate_on = false;
  EXPECT_TRUE(foreseen(104ms));
  c.loads[2].on = true;
  (void)circuit.probe(state, c, memory);
  EXPECT_FALSE(foreseen(104ms)) << "another load";
  ASSERT_EQ(circuit.approach(state, c, {103ms, 3s}, nullptr, memory), AdvanceStatus::kOk);
  CircuitState there = state;
  ASSERT_EQ(circuit.advance(there, c, 104ms, nullptr), AdvanceStatus::kOk);
  EXPECT_NEAR(circuit.sampled_v(state, c, 0, kSampling, 2.0, 104ms, memory),
              circuit.sampled_v(there, c, 0, kSampling, 2.0), 1e-4);
}

TEST(Foresight, BooksTheSameWhetherOrNotAnybodyListens) {
  const Conditions c = ridge_forenoon();
  const Circuit circuit{ridge_repeater()};
  std::array<CircuitState, 2> states;
  for (const bool heard : {false, true}) {
    TransitionMemory memory{circuit.params()};
    StepCounter listener;
    StepObserver* const observer = heard ? &listener : nullptr;
    CircuitState& state = states[heard ? 1 : 0];
    state = circuit.at_rest(ridge_rested(), c);
    for (int i = 1; i <= 400; ++i) {
      ASSERT_EQ(circuit.approach(state, c, {i * Nanos{700'000}, 3s}, observer, memory), AdvanceStatus::kOk);
    }
    ASSERT_EQ(circuit.advance(state, c, 300ms, observer, &memory), AdvanceStatus::kOk);
  }
  EXPECT_NEAR(states[0].books.loads_j, states[1].books.loads_j, 1e-9 * states[1].books.loads_j);
  EXPECT_NEAR(states[0].books.battery_in_j, states[1].books.battery_in_j, 1e-9 * states[1].books.loads_j);
  EXPECT_NEAR(states[0].books.battery_discharge_ah, states[1].books.battery_discharge_ah, 1e-12);
}

TEST(Foresight, KnowsWhatAConverterTakesOfAPinAsItIsInThisStep) {
  const Conditions c = ridge_forenoon();
  const CircuitParams params = ridge_repeater();
  const CircuitParts parts{params};
  const CircuitSystem system{params, parts, c};
  Foresight ahead;
  const AdcInputParams others{14e-12, 50e3, 12e-6};
  for (const AdcInputParams& input : {kSampling, others}) {
    for (const double rate_per_s : {-0.0, -1600.0, -1600.0, -1700.0, -0.0}) {
      ahead.begin(system, Nanos{0}, {}).of[0].start.pin_d_pin = rate_per_s;
      const PinShare expected = share_of(input, 1e-9, -1e-9 * rate_per_s);
      EXPECT_EQ(ahead.share(0, input, 1e-9).held_frac, expected.held_frac);
      EXPECT_EQ(ahead.share(0, input, 1e-9).step_frac, expected.step_frac);
    }
  }
}

// A run taken up again elsewhere with its state and memory goes on bit for bit, foreseen step and pulls included.
TEST(Foresight, IsTakenAlongByACopyOfAMemory) {
  ConverterPair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  for (int cycle = 0; cycle < 40; ++cycle) pair.cycle(0.4);
  pair.c.gate_on = true;
  pair.convert(0, pair.ahead.now + 400us, pair.ahead.now + 2ms);
  ASSERT_GT(pair.behind, 0);
  ConverterPair branch = pair;
  for (ConverterPair* each : {&pair, &branch}) {
    each->convert(1, each->there.now + 300us, each->there.now + 1ms);
    each->go_to(each->there.now + 900us);
  }
  EXPECT_EQ(pair.ahead.sense_v, branch.ahead.sense_v);
  EXPECT_EQ(pair.ahead.bus_v, branch.ahead.bus_v);
  EXPECT_EQ(pair.ahead.books.panel_j, branch.ahead.books.panel_j);
}

}  // namespace
}  // namespace dawnrig::plant
