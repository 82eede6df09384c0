// Plant: PWM cycles against a brute-force solution with tiny explicit steps, written anew here from the equations.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <random>
#include <vector>

#include "fixture.h"
#include "ridge.h"

namespace dawnrig::plant {
namespace {

// Panel, stage, battery and one resistive load, by fourth-order Runge-Kutta at 10 ns. Cells stay at one temperature.
class BruteForce {
 public:
  BruteForce(const CircuitParams& p, const CircuitState& start, double poa)
      : p_{p}, b_{std::get<LeadAcidParams>(p.battery)}, y_{start.input_v,          start.bus_v,
                                                           start.battery.v_fast_v, start.battery.v_slow_v,
                                                           start.battery.soc_frac, 0.0} {
    const double t = start.cell_degc + 273.15;
    const double k = 8.617333262e-5;
    const double gap = 1.121 * (1.0 - 0.0002677 * (t - 298.15));
    light_ = poa / 1e3 * (p.panel.light_current_a + p.panel.short_circuit_tempco_a_per_k * (t - 298.15));
    saturation_ =
        p.panel.saturation_current_a * std::pow(t / 298.15, 3) * std::exp(1.121 / (k * 298.15) - gap / (k * t));
    a_ = p.panel.modified_ideality_v * t / 298.15;
    shunt_ = poa / 1e3 / p.panel.shunt_resistance_ohm;
  }

  // Runs `ns` nanoseconds; leaves the integral of the bus voltage in the last unknown.
  void run(bool on, std::int64_t ns) {
    constexpr std::int64_t kStep = 10;
    while (ns > 0) {
      const double h = static_cast<double>(std::min(ns, kStep)) * 1e-9;
      const Y k1 = rates(y_, on);
      const Y k2 = rates(moved(k1, 0.5 * h), on);
      const Y k3 = rates(moved(k2, 0.5 * h), on);
      const Y k4 = rates(moved(k3, h), on);
      for (std::size_t i = 0; i < y_.size(); ++i) y_[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
      ns -= kStep;
    }
  }
  [[nodiscard]] double input_v() const { return y_[0]; }
  [[nodiscard]] double bus_v() const { return y_[1]; }
  [[nodiscard]] double bus_integral() const { return y_[5]; }

 private:
  using Y = std::array<double, 6>;
  [[nodiscard]] Y moved(const Y& k, double h) const {
    Y y = y_;
    for (std::size_t i = 0; i < y.size(); ++i) y[i] += h * k[i];
    return y;
  }
  double panel_a(double v) {
    const double rs = p_.panel.series_resistance_ohm + p_.panel_cable_ohm;
    for (int i = 0; i < 50; ++i) {
      const double e = saturation_ * std::exp(vd_ / a_);
      const double g = vd_ + rs * (e - saturation_ + shunt_ * vd_ - light_) - v;
      const double step = g / (1.0 + rs * (e / a_ + shunt_));
      vd_ -= step;
      if (std::abs(step) < 1e-10) break;
    }
    return (vd_ - v) / rs;
  }
  double branch_a(double u) {
    const DiodeParams& d = p_.stage.blocking_diode;
    const double vt = d.emission_coefficient * 8.617333262e-5 * 298.15;
    const double ohm = d.series_resistance_ohm + p_.stage.switch_on_resistance_ohm;
    if (u > 0.0) w_ = std::min(u, vt * std::log1p(u / (ohm * d.saturation_current_a)));  // comes down to the root
    for (int i = 0; i < 200; ++i) {
      const double e = d.saturation_current_a * std::exp(w_ / vt);
      const double step = (w_ + ohm * (e - d.saturation_current_a) - u) / (1.0 + ohm * e / vt);
      w_ -= step;
      if (std::abs(step) < 1e-12) break;
    }
    return d.saturation_current_a * std::expm1(w_ / vt);
  }
  Y rates(const Y& y, bool on) {
    const double i_panel = panel_a(y[0]);
    const double i_branch = on ? branch_a(y[0] - y[1]) : 0.0;
    const double emf =
        b_.cells * (b_.cell_ocv_empty_v + (b_.cell_ocv_full_v - b_.cell_ocv_empty_v) * y[4]) + y[2] + y[3];
    const double i = (y[1] - emf) / (p_.battery_cable_ohm + b_.r_series_ohm);
    const double gas =
        b_.capacity_ah / 100.0 * b_.gassing_a_per_100ah * std::exp(b_.gassing_per_v * (emf / b_.cells - 2.23));
    const double main = i - gas;
    const double d = b_.capacity_ah * 1e-4;
    const double plus = main > 0.0 ? main * main * main / (main * main + d * d) : 0.0;
    const double accept = b_.r_acceptance_ohm * std::exp(-b_.acceptance_per_soc * (1.0 - y[4]));
    const double load = y[1] / std::get<ResistiveParams>(p_.loads[0].kind).resistance_ohm + p_.stage.quiescent_a;
    return {(i_panel - i_branch) / p_.stage.input_capacitance_f,
            (i_branch - i - load) / p_.stage.output_capacitance_f,
            (b_.r_fast_ohm * main + accept * plus - y[2]) / b_.tau_fast_s,
            (b_.r_slow_ohm * main - y[3]) / b_.tau_slow_s,
            main / 3600.0 / b_.capacity_ah,
            y[1]};
  }

  const CircuitParams& p_;
  LeadAcidParams b_;
  Y y_;
  double light_{}, saturation_{}, a_{}, shunt_{};
  double vd_{0.0}, w_{0.3};
};

// Mean of the bus voltage over what the observer sees, straight between steps.
class MeanBus : public StepObserver {
 public:
  explicit MeanBus(const CircuitState& start) : last_{start} {}
  void on_step(const CircuitState& s, const Conditions&, const Probes&) override {
    integral_ += 0.5 * (s.bus_v + last_.bus_v) * in_seconds(s.now - last_.now);
    last_ = s;
  }
  [[nodiscard]] double integral() const { return integral_; }

 private:
  CircuitState last_;
  double integral_{0.0};
};

class PwmCycle : public testing::TestWithParam<double> {};

TEST_P(PwmCycle, AgreesWithTinyStepsAtTheEdgesAndOnAverage) {
  for (const double duty : {0.05, 0.5, 0.95, 1.0}) {
    CircuitParams p;
    p.stage.input_capacitance_f = GetParam();
    p.loads.push_back({ResistiveParams{24.0}, true});
    const Circuit circuit{p};
    Conditions c = sunny(800.0);
    c.battery_held_at_temperature = true;
    CircuitState state = circuit.at_rest(rested(800.0), c);
    BruteForce brute{p, state, 800.0};
    MeanBus mean{state};
    for (int cycle = 0; cycle < 2; ++cycle) {
      const Nanos start = state.now;
      const Nanos on{static_cast<std::int64_t>(static_cast<double>(kPwmPeriod.count()) * duty)};
      const Nanos soon = std::min(on, Nanos{700});
      c.gate_on = true;
      ASSERT_EQ(circuit.advance(state, c, start + soon, &mean), AdvanceStatus::kOk);
      brute.run(true, soon.count());
      EXPECT_NEAR(state.bus_v, brute.bus_v(), 1e-4) << "on the crest of the inrush, duty " << duty;
      ASSERT_EQ(circuit.advance(state, c, start + on, &mean), AdvanceStatus::kOk);
      brute.run(true, (on - soon).count());
      EXPECT_NEAR(state.bus_v, brute.bus_v(), 1e-4) << "end of on, duty " << duty << ", cycle " << cycle;
      EXPECT_NEAR(state.input_v, brute.input_v(), 1e-3) << "end of on, duty " << duty << ", cycle " << cycle;
      c.gate_on = false;
      ASSERT_EQ(circuit.advance(state, c, start + kPwmPeriod, &mean), AdvanceStatus::kOk);
      brute.run(false, (kPwmPeriod - on).count());
      EXPECT_NEAR(state.bus_v, brute.bus_v(), 1e-4) << "end of off, duty " << duty << ", cycle " << cycle;
      EXPECT_NEAR(state.input_v, brute.input_v(), 1e-3) << "end of off, duty " << duty << ", cycle " << cycle;
    }
    EXPECT_NEAR(mean.integral() / in_seconds(state.now), brute.bus_integral() / in_seconds(state.now), 1e-3)
        << "mean, duty " << duty;
  }
}

INSTANTIATE_TEST_SUITE_P(InputCapacitor, PwmCycle, testing::Values(2.2e-6, 220e-6));

class EachStep final : public StepObserver {
 public:
  void on_step(const CircuitState& state, const Conditions&, const Probes&) override { states.push_back(state); }
  std::vector<CircuitState> states;
};

/// From the edge at hand on, the steps that are taken by themselves against steps of 100 ns; by how much the input is
/// off.
double off_v(const Circuit& circuit, const CircuitState& edge, const Conditions& c) {
  using namespace std::chrono_literals;
  CircuitState state = edge;
  CircuitState closely = edge;
  EachStep each;
  EXPECT_EQ(circuit.advance(state, c, state.now + 100us, &each, nullptr), AdvanceStatus::kOk);
  double most_v = 0.0;
  for (const CircuitState& step : each.states) {
    while (closely.now < step.now) {
      const Nanos to = std::min(closely.now + 100ns, step.now);
      EXPECT_EQ(circuit.advance(closely, c, to, nullptr, nullptr), AdvanceStatus::kOk);
    }
    most_v = std::max(most_v, std::abs(step.input_v - closely.input_v));
  }
  return most_v;
}

// With the gate off the input rises to where the panel gives nothing. What a step has seen half way and at its end may
// look like a parabola by chance, of which the knee is anything but one: that befell one in a thousand of these.
TEST(CircuitPwm, NoStepPassesOverThePanelsKnee) {
  using namespace std::chrono_literals;
  double most_v = 0.0;
  for (int i = 0; i < 600; ++i) {
    const double poa_wpm2 = 760.0 + 0.2 * i;
    const Circuit circuit{ridge_repeater()};
    Conditions c = ridge_forenoon();
    c.sun.poa_wpm2 = poa_wpm2;
    InitialConditions rest = ridge_rested();
    rest.poa_wpm2 = poa_wpm2;
    rest.soc_frac = i % 2 == 0 ? 0.6 : 0.97;
    rest.battery_degc = i % 4 < 2 ? 5.0 : 45.0;
    CircuitState state = circuit.at_rest(rest, c);
    for (int cycle = 0; cycle < 3; ++cycle) ASSERT_EQ(pwm_cycle(circuit, state, c, 0.44), AdvanceStatus::kOk);
    c.gate_on = true;
    ASSERT_EQ(circuit.advance(state, c, state.now + 900us, nullptr, nullptr), AdvanceStatus::kOk);
    c.gate_on = false;
    const double v = off_v(circuit, state, c);
    ASSERT_LT(v, 5e-3) << poa_wpm2 << " W/m2";
    most_v = std::max(most_v, v);
  }
  std::printf("ridge repeater: the input within %.2f mV of steps of 100 ns\n", 1e3 * most_v);
}

// Nor on other boards and behind other cables, whichever way the gate goes.
TEST(CircuitPwm, NoStepPassesOverTheKneeOfAnyPanel) {
  using namespace std::chrono_literals;
  std::mt19937 draw(77);
  const auto between = [&draw](double least, double most) {
    return least + (most - least) * 0x1p-32 * static_cast<double>(draw());
  };
  double most_v = 0.0;
  for (int i = 0; i < 800; ++i) {
    constexpr double kInputF[] = {1e-6, 2.2e-6, 4.7e-6};
    CircuitParams p = ridge_repeater(kInputF[draw() % 3]);
    p.panel_cable_ohm = between(0.01, 0.5);
    p.panel.series_resistance_ohm = between(0.05, 1.0);
    p.stage.output_capacitance_f = std::pow(10.0, between(-5.0, -2.5));
    const Circuit circuit{p};
    Conditions c = ridge_forenoon();
    InitialConditions rest = ridge_rested();
    c.sun.poa_wpm2 = rest.poa_wpm2 = between(20.0, 1200.0);
    c.load_switch_on = draw() % 2 == 0;
    rest.soc_frac = between(0.2, 1.0);
    rest.battery_degc = between(-10.0, 50.0);
    CircuitState state = circuit.at_rest(rest, c);
    const double duty = between(0.02, 0.98);
    for (int cycle = 0; cycle < 3; ++cycle) ASSERT_EQ(pwm_cycle(circuit, state, c, duty), AdvanceStatus::kOk);
    c.gate_on = draw() % 4 != 0;
    ASSERT_EQ(circuit.advance(state, c, state.now + 300us, nullptr, nullptr), AdvanceStatus::kOk);
    c.gate_on = !c.gate_on;
    const double v = off_v(circuit, state, c);
    ASSERT_LT(v, 5e-3) << "circuit " << i << ", " << c.sun.poa_wpm2 << " W/m2";
    most_v = std::max(most_v, v);
  }
  std::printf("any board: the input within %.2f mV of steps of 100 ns\n", 1e3 * most_v);
}

}  // namespace
}  // namespace dawnrig::plant
