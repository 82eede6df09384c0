#include "spice_bench.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <string>
#include <utility>

#include "spice.h"

namespace dawnrig::plant {
namespace {

using std::to_string;

constexpr double kEdgeS = 1e-9;
constexpr double kThermalVoltageAt25 = 8.617333262e-5 * 298.15;

struct Times {
  Nanos period, on;
};
Times times_of(const SwitchingRun& run) {
  const Nanos period = from_seconds(1.0 / run.frequency_hz);
  return {period, Nanos{std::llround(static_cast<double>(period.count()) * run.duty_frac)}};
}

// With a driver that is not awake yet: nothing conducts but diodes.
CircuitState start_of(const Circuit& circuit, const SwitchingRun& run, Conditions c) {
  c.switch_fault = SwitchFaultKind::kDriverDead;
  InitialConditions rest;
  rest.soc_frac = run.soc_frac;
  rest.poa_wpm2 = run.poa_wpm2;
  CircuitState state = circuit.at_rest(rest, c);
  state.cell_degc = 25.0;
  return state;
}

Conditions conditions_of(const SwitchingRun& run) {
  Conditions c;
  c.sun.poa_wpm2 = run.poa_wpm2;
  c.battery_held_at_temperature = true;
  c.load_switch_on = true;
  return c;
}

// The means of one cycle, straight between the steps of the solution.
class Means : public StepObserver {
 public:
  Means(const Circuit& circuit, const CircuitState& start, const Conditions& c)
      : circuit_{circuit}, last_{start.now}, seen_{circuit.probe(start, c)} {}
  void on_step(const CircuitState& state, const Conditions& c, const Probes&) override {
    const Probes p = circuit_.probe(state, c);
    const double h = in_seconds(state.now - last_);
    terminal_vs_ += 0.5 * h * (p.terminal_v + seen_.terminal_v);
    panel_as_ += 0.5 * h * (p.panel_a + seen_.panel_a);
    last_ = state.now;
    seen_ = p;
  }
  void edge(const CircuitState& state, const Conditions& c) { seen_ = circuit_.probe(state, c); }
  [[nodiscard]] double terminal_v() const { return seen_.terminal_v; }
  [[nodiscard]] double take_terminal_vs() { return std::exchange(terminal_vs_, 0.0); }
  [[nodiscard]] double take_panel_as() { return std::exchange(panel_as_, 0.0); }

 private:
  const Circuit& circuit_;
  Nanos last_;
  Probes seen_;
  double terminal_vs_{0.0}, panel_as_{0.0};
};

std::string element(const std::string& name_and_nodes, double value) {
  return name_and_nodes + ' ' + spice_number(value) + '\n';
}

std::string diode_model(const std::string& name, const DiodeParams& d) {
  return ".model " + name + " D(IS=" + spice_number(d.saturation_current_a) +
         " N=" + spice_number(d.emission_coefficient) + " RS=" + spice_number(d.series_resistance_ohm) + ")\n";
}

std::string switch_model(const std::string& name, double on_ohm) {
  return ".model " + name + " SW(VT=0.5 VH=0 RON=" + spice_number(on_ohm) + " ROFF=1e9)\n";
}

std::string panel_of(const SwitchingRun& run) {
  const PanelParams& p = run.params.panel;
  const double sun = run.poa_wpm2 / 1000.0;
  return element("Ilight 0 pj", sun * p.light_current_a) +
         "Dcell pj 0 cell\n.model cell D(IS=" + spice_number(p.saturation_current_a) +
         " N=" + spice_number(p.modified_ideality_v / kThermalVoltageAt25) + ")\n" +
         element("Rshunt pj 0", p.shunt_resistance_ohm / sun) +
         element("Rpanel pj pt", p.series_resistance_ohm + run.params.panel_cable_ohm) + "Vpanel pt in 0\n";
}

// The open-circuit source stands: in a few cycles the state of charge does not move.
std::string battery_of(const SwitchingRun& run, const CircuitState& start) {
  const auto& b = std::get<LeadAcidParams>(run.params.battery);
  const double ocv = b.cells * (b.cell_ocv_empty_v + (b.cell_ocv_full_v - b.cell_ocv_empty_v) * run.soc_frac);
  const double accept_ohm = b.r_acceptance_ohm * std::exp(-b.acceptance_per_soc * (1.0 - run.soc_frac));
  const double smooth_a2 = std::pow(b.capacity_ah * 1e-4, 2);
  const std::string i = "i(vmain)";
  return element("Rcable bus term", run.params.battery_cable_ohm) + "Vbattery term plate 0\n" +
         element("Rplate plate inner", b.r_series_ohm) +
         "Bgas inner 0 I=" + spice_number(b.capacity_ah / 100.0 * b.gassing_a_per_100ah) + "*exp(" +
         spice_number(b.gassing_per_v) + "*(v(inner)/" + spice_number(b.cells) + "-2.23))\nVmain inner m1 0\n" +
         // Each pair as one ohm beside tau farad, driven by what it would settle at, and seen through a source.
         "Bfast 0 nf I=" + spice_number(b.r_fast_ohm) + "*" + i + "+" + spice_number(accept_ohm) + "*(" + i + ">0?" +
         i + "^3/(" + i + "^2+" + spice_number(smooth_a2) + "):0)\n" + "Rfast nf 0 1\n" + "Cfast nf 0 " +
         spice_number(b.tau_fast_s) + " ic=" + spice_number(start.battery.v_fast_v) + "\nEfast m1 m2 nf 0 1\n" +
         "Bslow 0 ns I=" + spice_number(b.r_slow_ohm) + "*" + i + "\nRslow ns 0 1\n" + "Cslow ns 0 " +
         spice_number(b.tau_slow_s) + " ic=" + spice_number(start.battery.v_slow_v) + "\nEslow m2 m3 ns 0 1\n" +
         element("Vocv m3 0", ocv);
}

std::string gate_of(const SwitchingRun& run) {
  const Times t = times_of(run);
  // The switch acts in the middle of the edge; the pulse that never ends needs no falling edge.
  if (t.on >= t.period) return "Vgate gate 0 PULSE(0 1 0 1n 1n 1 2)\n";
  return "Vgate gate 0 PULSE(0 1 0 1n 1n " + spice_number(in_seconds(t.on) - kEdgeS) + " " +
         spice_number(in_seconds(t.period)) + ")\n";
}

// What runs on while the main switch is off; the other gate is the first one upside down.
std::string freewheel_of(const BuckParams& b) {
  const std::string diode = diode_model("freewheel", b.freewheel_diode);
  if (b.freewheel == Freewheel::kDiode) return diode + "Dfree 0 x freewheel\n";
  if (b.freewheel == Freewheel::kComplementary) {
    return switch_model("low", b.freewheel_ohm) + "Vhigh high 0 1\nSlow x 0 high gate low\n";
  }
  // Turned off at zero current: a diode of a few millivolts while the driver allows it, the body diode beside it.
  return diode + "Dfree 0 x freewheel\n.model comparator D(IS=" + spice_number(kZeroLeakA) +
         " N=" + spice_number(kZeroKneeV / kThermalVoltageAt25) + " RS=0)\n" + switch_model("low", b.freewheel_ohm) +
         "Vhigh high 0 1\nDzero 0 y comparator\nSlow y x high gate low\n";
}

std::string stage_of(const SwitchingRun& run, const CircuitState& start) {
  const auto& s = run.params.stage;
  const std::string models =
      diode_model("blocking", s.blocking_diode) + switch_model("charge", s.switch_on_resistance_ohm);
  if (std::holds_alternative<ShuntPwmParams>(s.topology)) {
    return models + "Dblock in bus blocking\nScharge in 0 gate 0 charge\n";
  }
  const auto* b = std::get_if<BuckParams>(&s.topology);
  if (b == nullptr) return models + "Dblock in drain blocking\nScharge drain bus gate 0 charge\n";
  const std::string main = b->blocks_reverse
                               ? "Dblock in drain blocking\nScharge drain x gate 0 charge\n"
                               : "Scharge in x gate 0 charge\nDbody x in body\n" + diode_model("body", b->body_diode);
  return models + main + freewheel_of(*b) + "Lchoke x w " + spice_number(b->inductance_henry) +
         " ic=" + spice_number(start.inductor_a) + "\n" + element("Rwinding w bus", b->winding_ohm) +
         element("Rcore x bus", b->core_ohm);
}

std::string loads_of(const SwitchingRun& run) {
  std::string text = element("Iboard bus 0", run.params.stage.quiescent_a);
  text += "Vload wanted 0 PULSE(0 1 " + spice_number(run.load_step_s) + " 1n 1n 10 20)\n";
  text += switch_model("loads", 1e-6);
  for (std::size_t i = 0; i < run.params.loads.size(); ++i) {
    const std::string node = std::string("l").append(to_string(i));
    text.append("Sload").append(to_string(i)).append(" bus ").append(node).append(" wanted 0 loads\n");
    text.append("Rload").append(to_string(i)).append(" ").append(node);
    text += element(" 0", std::get<ResistiveParams>(run.params.loads[i].kind).resistance_ohm);
  }
  return text;
}

}  // namespace

std::vector<CycleFigures> by_plant(const SwitchingRun& run) {
  const Circuit circuit{run.params};
  Conditions c = conditions_of(run);
  CircuitState state = start_of(circuit, run, c);
  Means means{circuit, state, c};
  const Times t = times_of(run);
  const double period_s = in_seconds(t.period);
  const Nanos loads_at = run.load_step_s < 1e6 ? from_seconds(run.load_step_s) : Nanos::max();
  const auto advance = [&](Nanos to) {
    if (loads_at < to && !c.loads[0].on) {
      EXPECT_EQ(circuit.advance(state, c, loads_at, &means), AdvanceStatus::kOk);
      for (std::size_t i = 0; i < run.params.loads.size(); ++i) c.loads[i].on = true;
      means.edge(state, c);
    }
    EXPECT_EQ(circuit.advance(state, c, to, &means), AdvanceStatus::kOk);
  };
  std::vector<CycleFigures> all;
  for (int i = 0; i < run.cycles; ++i) {
    CycleFigures figures;
    const Books before = state.books;
    c.gate_on = true;
    means.edge(state, c);
    advance(i * t.period + t.on);
    figures.end_on_terminal_v = means.terminal_v();
    figures.end_on_input_v = state.input_v;
    if (t.on < t.period) {
      c.gate_on = false;
      means.edge(state, c);
      advance((i + 1) * t.period);
    }
    figures.end_off_terminal_v = means.terminal_v();
    figures.end_off_input_v = state.input_v;
    figures.mean_terminal_v = means.take_terminal_vs() / period_s;
    figures.mean_panel_a = means.take_panel_as() / period_s;
    figures.mean_battery_a = 3600.0 / period_s *
                             (state.books.battery_charge_ah - before.battery_charge_ah -
                              state.books.battery_discharge_ah + before.battery_discharge_ah);
    all.push_back(figures);
  }
  return all;
}

std::vector<CycleFigures> by_spice(const SwitchingRun& run) {
  const Circuit circuit{run.params};
  const CircuitState start = start_of(circuit, run, conditions_of(run));
  const Times t = times_of(run);
  SpiceRun spice;
  spice.circuit = panel_of(run) + "Cin in 0 " + spice_number(run.params.stage.input_capacitance_f) +
                  " ic=" + spice_number(start.input_v) + "\nCout bus 0 " +
                  spice_number(run.params.stage.output_capacitance_f) + " ic=" + spice_number(start.bus_v) + "\n" +
                  gate_of(run) + stage_of(run, start) + battery_of(run, start) + loads_of(run);
  spice.wanted = {"v(term)", "i(vbattery)", "i(vpanel)", "v(in)"};
  spice.stop_s = in_seconds(run.cycles * t.period) + kEdgeS;
  spice.longest_step_s = run.longest_step_s;
  const SpiceTrace trace = run_spice(spice);
  std::vector<CycleFigures> all;
  for (int i = 0; i < run.cycles && !trace.empty(); ++i) {
    const double from_s = in_seconds(i * t.period);
    const double to_s = in_seconds((i + 1) * t.period);
    all.push_back({trace.mean(0, from_s, to_s), trace.at(0, from_s + in_seconds(t.on)), trace.at(0, to_s),
                   trace.at(3, from_s + in_seconds(t.on)), trace.at(3, to_s), trace.mean(1, from_s, to_s),
                   trace.mean(2, from_s, to_s)});
  }
  return all;
}

namespace {

// The worst differences over all cycles; voltages per 12 V of battery, currents as a share of the larger of the mean
// current and the least one.
struct WorstMiss {
  double terminal_v{}, input_v{};
  double battery_frac{}, panel_frac{};
};

WorstMiss worst_miss(const SwitchingRun& run) {
  const std::vector<CycleFigures> plant = by_plant(run);
  const std::vector<CycleFigures> spice = by_spice(run);
  WorstMiss worst;
  if (spice.size() != plant.size()) return {1e9, 1e9, 1e9, 1e9};
  const double scale = 12.0 / (2.0 * std::get<LeadAcidParams>(run.params.battery).cells);
  const double least_a = run.least_frac * run.params.panel.light_current_a;
  for (std::size_t i = 0; i < plant.size(); ++i) {
    const CycleFigures& a = plant[i];
    const CycleFigures& b = spice[i];
    worst.terminal_v = std::max({worst.terminal_v, scale * std::abs(a.mean_terminal_v - b.mean_terminal_v),
                                 scale * std::abs(a.end_on_terminal_v - b.end_on_terminal_v),
                                 scale * std::abs(a.end_off_terminal_v - b.end_off_terminal_v)});
    worst.input_v = std::max({worst.input_v, scale * std::abs(a.end_on_input_v - b.end_on_input_v),
                              scale * std::abs(a.end_off_input_v - b.end_off_input_v)});
    worst.battery_frac = std::max(worst.battery_frac, std::abs(a.mean_battery_a - b.mean_battery_a) /
                                                          std::max(std::abs(b.mean_battery_a), least_a));
    worst.panel_frac = std::max(
        worst.panel_frac, std::abs(a.mean_panel_a - b.mean_panel_a) / std::max(std::abs(b.mean_panel_a), least_a));
  }
  return worst;
}

WorstMiss worse(const WorstMiss& a, const WorstMiss& b) {
  return {std::max(a.terminal_v, b.terminal_v), std::max(a.input_v, b.input_v),
          std::max(a.battery_frac, b.battery_frac), std::max(a.panel_frac, b.panel_frac)};
}

void expect_close(const WorstMiss& miss, const std::string& where) {
  EXPECT_LT(miss.terminal_v, 2e-3) << where;
  EXPECT_LT(miss.input_v, 2e-3) << where;
  EXPECT_LT(miss.battery_frac, 5e-3) << where;
  EXPECT_LT(miss.panel_frac, 5e-3) << where;
}

void print(const char* what, const WorstMiss& worst) {
  std::printf("%s: terminal %.3f mV and input %.3f mV per 12 V, battery current %.4f %%, panel current %.4f %%\n", what,
              1e3 * worst.terminal_v, 1e3 * worst.input_v, 100.0 * worst.battery_frac, 100.0 * worst.panel_frac);
}

std::string words(const SwitchingRun& run) {
  return std::to_string(run.frequency_hz) + " Hz, " + std::to_string(run.params.stage.input_capacitance_f * 1e6) +
         " uF, duty " + std::to_string(run.duty_frac) + ", " + std::to_string(run.poa_wpm2) + " W/m2";
}

}  // namespace

SwitchingRun with_a_load_step(SwitchingRun run, int cycles) {
  run.params.loads.push_back({ResistiveParams{2.5}, true});
  run.cycles = cycles;
  run.load_step_s = 3.3 / run.frequency_hz;
  return run;
}

void hold(const char* what, const std::vector<SwitchingRun>& runs) {
  WorstMiss worst;
  for (const SwitchingRun& run : runs) {
    const WorstMiss miss = worst_miss(run);
    expect_close(miss, words(run));
    worst = worse(worst, miss);
  }
  print(what, worst);
}

}  // namespace dawnrig::plant
