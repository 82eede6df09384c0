// Tests of the plant: one and the same converter on two circuits, of which one goes to each conversion and the other no
// further than it must.
#pragma once

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "fixture.h"
#include "plant/circuit_run.h"
#include "plant/transition_memory.h"
#include "ridge.h"

namespace dawnrig::plant {

inline constexpr Nanos kBetweenConversions{487'000};  // so that they wander through the PWM period
inline const AdcInputParams kSampling{14e-12, 10e3, 12e-6};

class StepCounter final : public StepObserver {
 public:
  void on_step(const CircuitState& state, const Conditions&, const Probes&) override {
    backwards |= state.now <= last;
    last = state.now;
    ++steps;
  }
  Nanos last{0};
  int steps{0};
  bool backwards{false};
};

class ConverterPair {
 public:
  ConverterPair(const CircuitParams& params, Conditions conditions, const InitialConditions& rest)
      : circuit{params},
        c{std::move(conditions)},
        there{circuit.at_rest(rest, c)},
        ahead{there},
        before{there},
        of_there_{params},
        of_ahead_{params} {}

  void go_to(Nanos to) {
    ASSERT_EQ(circuit.advance(there, c, to, &heard_there, &of_there_), AdvanceStatus::kOk);
    ASSERT_EQ(circuit.advance(ahead, c, to, &heard_ahead, &of_ahead_), AdvanceStatus::kOk);
    ASSERT_EQ(ahead.now, to);
    apart_bus_v = std::max(apart_bus_v, std::abs(there.bus_v - ahead.bus_v));
    for (std::size_t i = 0; i < circuit.params().sense.size(); ++i) {
      apart_v[i] = std::max(apart_v[i], std::abs(there.sense_v[i] - ahead.sense_v[i]));
    }
  }
  void convert(std::size_t channel, Nanos at, Nanos until) {
    ASSERT_EQ(circuit.advance(there, c, at, &heard_there, &of_there_), AdvanceStatus::kOk);
    ASSERT_EQ(circuit.approach(ahead, c, {at, until}, &heard_ahead, of_ahead_), AdvanceStatus::kOk);
    ASSERT_LE(ahead.now, at);
    held_there_ = circuit.sampled_v(there, c, channel, sampling, held_there_);
    if (follows_pulls) {
      for (int hop = 1; hop <= 30; ++hop) {
        ASSERT_EQ(circuit.advance(there, c, std::min(at + hop * Nanos{2000}, until), &heard_there, &of_there_),
                  AdvanceStatus::kOk);
      }
    }
    held_ahead_ = circuit.sampled_v(ahead, c, channel, sampling, held_ahead_, at, of_ahead_);
    apart_v[channel] = std::max(apart_v[channel], std::abs(held_there_ - held_ahead_));
    behind += ahead.now < at ? 1 : 0;
    ++conversions;
  }
  // A PWM cycle, and what the converter sees of it.
  void cycle(double duty, Nanos hint = Nanos{0}) {
    const Nanos start = ahead.now;
    const Nanos on{static_cast<std::int64_t>(static_cast<double>(kPwmPeriod.count()) * duty)};
    for (const auto& [gate_on, end] : {std::pair{true, start + on}, std::pair{false, start + kPwmPeriod}}) {
      c.gate_on = gate_on;
      for (; next_ < end; next_ += kBetweenConversions) {
        convert(turn_++ % circuit.params().sense.size(), next_, hint.count() > 0 ? next_ + hint : end);
      }
      go_to(end);
      if (::testing::Test::HasFatalFailure()) return;
    }
  }
  [[nodiscard]] std::int64_t intervals() const { return of_ahead_.intervals(); }  // that were remembered as wholes
  [[nodiscard]] double most_apart_v() const { return *std::max_element(apart_v.begin(), apart_v.end()); }

  Circuit circuit;
  Conditions c;
  CircuitState there, ahead, before;
  StepCounter heard_there, heard_ahead;
  std::array<double, kMaxSense> apart_v{};
  double apart_bus_v{0.0};
  AdcInputParams sampling{kSampling};
  bool follows_pulls{false};  // how a pin falls back, in steps much shorter than that takes
  int conversions{0}, behind{0};

 private:
  TransitionMemory of_there_, of_ahead_;
  double held_there_{0.0}, held_ahead_{0.0};
  Nanos next_{100'000};
  std::size_t turn_{0};
};

struct Board {
  std::string name;
  CircuitParams params;
  Conditions conditions;
  double within_v{5e-5};  // most of it what a remembered transition misses
  bool is_remembered{false};
  double same_books_frac{1e-5};
};

// With pins that are quick and slow, and one behind every kind of network.
inline std::vector<Board> boards() {
  std::vector<Board> all{{"ridge repeater", ridge_repeater(), ridge_forenoon()},
                         {"offset diode", ridge_repeater(), ridge_forenoon()},
                         {"shunts", ridge_repeater(), ridge_forenoon()},
                         {"sense wire open", ridge_repeater(), ridge_forenoon()},
                         {"pin beyond the supply", ridge_repeater(), ridge_forenoon()},
                         {"pin stuck", ridge_repeater(), ridge_forenoon()},
                         {"lamp on, sun on a ramp", ridge_repeater(), ridge_forenoon()},
                         {"battery lost", ridge_repeater(), ridge_forenoon()},
                         {"heat sink", ridge_repeater(), ridge_forenoon()},
                         {"dark", ridge_repeater(), ridge_forenoon()},
                         {"wire of a shunt open", ridge_repeater(), ridge_forenoon()}};
  all[1].params.sense[1].network = OffsetDividerParams{15.0, 5e-3, 0.05, 0.0, 0.01, 33e3, 11e3, 68e-9};
  for (const SenseNode node : {SenseNode::kChargeCurrent, SenseNode::kLoadCurrent, SenseNode::kBatteryCurrent}) {
    all[2].params.sense.push_back({node, ShuntAmplifierParams{}});
  }
  all[10].params.sense.push_back({SenseNode::kLoadCurrent, ShuntAmplifierParams{}});
  all[10].conditions.sense_faults[3] = SenseFaultKind::kOpen;  // nothing draws its pin anywhere
  all[3].conditions.sense_faults[0] = SenseFaultKind::kOpen;
  all[4].params.sense[1].network = DividerParams{120e3, 20e3, 1e-9};
  all[4].within_v = 5e-4;  // the integrator's own, where protection takes hold
  all[5].conditions.sense_faults[1] = SenseFaultKind::kStuck;
  all[6].conditions.loads[2].on = true;
  all[6].conditions.sun.slope_wpm2_per_s = -60.0;
  all[6].same_books_frac = 2e-5;  // an interval that is remembered has the sun of its beginning
  all[7].conditions.battery_connected = false;
  all[8].params.stage.heat_sink = HeatSinkParams{5.0, 2.0};
  all[9].conditions.sun.poa_wpm2 = 0.0;
  for (const std::size_t unremembered : {1, 7, 9}) all[unremembered].within_v = 1e-5;
  for (const std::size_t remembered : {0, 2, 3, 5, 8, 10}) all[remembered].is_remembered = true;
  return all;
}

inline void expect_same_books(const ConverterPair& pair, const std::string& name, double within = 1e-6) {
  const Books& ahead = pair.ahead.books;
  const Books& there = pair.there.books;
  const double turned_j = there.panel_j + std::abs(there.battery_in_j) + there.loads_j;
  const double turned_ah = there.battery_charge_ah + there.battery_discharge_ah;
  EXPECT_NEAR(ahead.panel_j, there.panel_j, within * turned_j) << name;
  EXPECT_NEAR(ahead.battery_in_j, there.battery_in_j, within * turned_j) << name;
  EXPECT_NEAR(ahead.loads_j, there.loads_j, within * turned_j) << name;
  EXPECT_NEAR(ahead.battery_charge_ah, there.battery_charge_ah, within * turned_ah) << name;
  EXPECT_NEAR(ahead.battery_discharge_ah, there.battery_discharge_ah, within * turned_ah) << name;
  const double open_j = pair.circuit.books_residual_j(pair.before, pair.ahead);
  EXPECT_LT(std::abs(open_j), within * turned_j + 1e-9) << name;
}

}  // namespace dawnrig::plant
