// Plant: what is told of a remembered interval as a whole, against its steps.
#include "plant/remembered_stretch.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "fixture.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

struct Quantity {
  const char* name;
  double (*of)(const Probes&);
};
const std::vector<Quantity>& quantities() {
  static const std::vector<Quantity> all{{"panel_v", [](const Probes& p) { return p.panel_v; }},
                                         {"panel_a", [](const Probes& p) { return p.panel_a; }},
                                         {"input_v", [](const Probes& p) { return p.input_v; }},
                                         {"bus_v", [](const Probes& p) { return p.bus_v; }},
                                         {"terminal_v", [](const Probes& p) { return p.terminal_v; }},
                                         {"battery_a", [](const Probes& p) { return p.battery_a; }},
                                         {"charge_a", [](const Probes& p) { return p.charge_a; }},
                                         {"load_v", [](const Probes& p) { return p.load_v; }},
                                         {"load_a", [](const Probes& p) { return p.load_a; }},
                                         {"gassing_a", [](const Probes& p) { return p.gassing_a; }},
                                         {"soc_frac", [](const Probes& p) { return p.soc_frac; }},
                                         {"cell_degc", [](const Probes& p) { return p.cell_degc; }},
                                         {"a pin", [](const Probes& p) { return p.sense_v[0]; }},
                                         {"a quick pin", [](const Probes& p) { return p.sense_v[1]; }},
                                         {"the fifth pin", [](const Probes& p) { return p.sense_v[4]; }},
                                         {"the sixth pin", [](const Probes& p) { return p.sense_v[5]; }},
                                         {"the last pin but one", [](const Probes& p) { return p.sense_v[6]; }},
                                         {"the last pin", [](const Probes& p) { return p.sense_v[7]; }}};
  return all;
}

// Holds each stretch to its steps, and those to what was told before.
class Listener final : public StepObserver {
 public:
  void on_step(const CircuitState& state, const Conditions&, const Probes& probes) override {
    follow(state.now);
    last_ = probes;
    ++steps;
  }
  [[nodiscard]] bool takes_stretches() const override { return true; }
  void on_stretch(const CircuitState& state, const Conditions&, const Probes& probes, const Stretch& s) override {
    ++stretches;
    EXPECT_EQ(s.from(), told_until_);
    EXPECT_EQ(s.end_of(s.steps() - 1), state.now);
    EXPECT_LE(s.steps(), Stretch::kMostSteps);
    for (const Quantity& q : quantities()) {
      double lowest = q.of(last_);
      double highest = lowest;
      double area = 0.0;
      double before = lowest;
      Nanos from = s.from();
      for (std::size_t i = 0; i < s.steps(); ++i) {
        const double at = q.of(s.at_end_of(i));
        lowest = std::min(lowest, at);
        highest = std::max(highest, at);
        area += 0.5 * (before + at) * in_seconds(s.end_of(i) - from);
        before = at;
        from = s.end_of(i);
      }
      const double mean = area / in_seconds(state.now - s.from());
      compare(q, "lowest", q.of(s.lowest()), lowest, 0.0, state.now);
      compare(q, "highest", q.of(s.highest()), highest, 0.0, state.now);
      compare(q, "mean", q.of(s.mean()), mean, 1e-9 * (1.0 + std::abs(mean)), state.now);
      compare(q, "end", q.of(probes), q.of(s.at_end_of(s.steps() - 1)), 0.0, state.now);
    }
    follow(state.now);
    last_ = probes;
  }
  /// On the far side of an edge.
  void look(const Probes& probes, Nanos now) {
    last_ = probes;
    told_until_ = now;
  }
  int steps{0}, stretches{0};
  std::string first_off;

 private:
  void follow(Nanos now) {
    EXPECT_GT(now, told_until_);
    told_until_ = now;
  }
  void compare(const Quantity& q, const char* what, double told, double found, double within, Nanos now) {
    if (!(std::abs(told - found) <= within) && first_off.empty()) {
      first_off = std::string{what} + " of " + q.name + " is told as " + std::to_string(told) + ", its steps have " +
                  std::to_string(found) + " in the stretch that ends at " + std::to_string(now.count()) + " ns";
    }
  }
  Probes last_;
  Nanos told_until_{0};
};

TEST(RememberedStretch, TellsTheLeastGreatestAndMeanOfItsSteps) {
  for (const std::string day : {"plain", "lamp on", "crowded"}) {
    const Circuit circuit{day == "crowded" ? crowded_ridge_repeater() : ridge_repeater()};
    Conditions c = ridge_forenoon();
    c.loads[2].on = day == "lamp on";
    CircuitState state = circuit.at_rest(ridge_rested(), c);
    TransitionMemory memory{circuit.params()};
    Listener listener;
    for (int cycle = 0; cycle < 1500; ++cycle) {
      const Nanos start = state.now;
      for (const bool gate_on : {true, false}) {
        c.gate_on = gate_on;
        listener.look(circuit.probe(state, c, memory), state.now);
        const Nanos end = start + (gate_on ? kPwmPeriod * (44 + cycle / 8 % 3) / 100 : kPwmPeriod);
        ASSERT_EQ(circuit.advance(state, c, end, &listener, &memory), AdvanceStatus::kOk);
      }
      ASSERT_EQ(listener.first_off, "") << day;
    }
    std::printf("%s: %d stretches of 3000 intervals\n", day.c_str(), listener.stretches);
    EXPECT_GT(listener.stretches, 1000);
  }
}

// What overshoots after an edge in one part of a cell, and does not in another.
TEST(RememberedStretch, TellsThemAllOverTheCellsOfManySuns) {
  const Circuit circuit{ridge_repeater()};
  Conditions c = ridge_forenoon();
  c.loads[0].on = c.loads[1].on = false;
  InitialConditions rest = ridge_rested();
  rest.soc_frac = 0.98;
  CircuitState state = circuit.at_rest(rest, c);
  TransitionMemory memory{circuit.params()};
  Listener listener;
  for (const double poa_wpm2 : {180.0, 260.0, 350.0, 450.0, 561.0, 700.0, 900.0, 1050.0}) {
    for (const int duty : {15, 30, 45, 60, 80}) {
      for (int cycle = 0; cycle < 200; ++cycle) {
        c.sun.poa_wpm2 = poa_wpm2 * (1.0 + 0.0002 * (cycle % 40));
        const Nanos start = state.now;
        for (const bool gate_on : {true, false}) {
          c.gate_on = gate_on;
          listener.look(circuit.probe(state, c, memory), state.now);
          const Nanos end = start + (gate_on ? kPwmPeriod * (duty + cycle / 25 % 2) / 100 : kPwmPeriod);
          ASSERT_EQ(circuit.advance(state, c, end, &listener, &memory), AdvanceStatus::kOk);
        }
        ASSERT_EQ(listener.first_off, "") << poa_wpm2 << " W/m2, duty " << duty << " %";
      }
    }
  }
  std::printf("many suns: %d stretches of 16000 intervals\n", listener.stretches);
  EXPECT_GT(listener.stretches, 4000);
}

}  // namespace
}  // namespace dawnrig::plant
