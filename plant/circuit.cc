#include "plant/circuit.h"

#include <algorithm>
#include <cmath>

#include "plant/circuit_run.h"
#include "plant/circuit_system.h"
#include "plant/circuit_view.h"
#include "plant/transition_memory.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

double stored_j(const CircuitParams& params, const CircuitState& state) {
  const auto* buck = std::get_if<BuckParams>(&params.stage.topology);
  const double henry = buck != nullptr ? buck->inductance_henry : 0.0;
  return 0.5 * henry * state.inductor_a * state.inductor_a +
         0.5 * params.stage.input_capacitance_f * state.input_v * state.input_v +
         0.5 * params.stage.output_capacitance_f * state.bus_v * state.bus_v;
}

}  // namespace

Circuit::Circuit(const CircuitParams& checked)
    : built_{std::make_shared<const Built>(Built{checked, CircuitParts{checked}})} {}

CircuitState Circuit::at_rest(const InitialConditions& initial, const Conditions& conditions) const {
  CircuitState state;
  state.battery.soc_frac = initial.soc_frac;
  state.battery.battery_degc =
      conditions.battery_held_at_temperature ? conditions.battery_held_degc : initial.battery_degc;
  state.stage_degc = conditions.stage_held_at_temperature ? conditions.stage_held_degc : initial.ambient_degc;
  state.cell_degc = initial.ambient_degc +
                    built_->parts.panel.warming_k_per_wpm2(conditions.wind_m_per_s) * std::max(0.0, initial.poa_wpm2);
  state.bus_v = conditions.battery_connected ? built_->parts.battery.inner_v(state.battery) : 0.0;
  if (built_->parts.buck) {  // from where its inductor has least to do
    PanelScratch as_conditioned;
    as_conditioned.shade = &conditions.panel_shade;
    as_conditioned.fault = conditions.panel_fault;
    const double open_v = initial.poa_wpm2 > 0.0 && conditions.panel_connected
                              ? built_->parts.panel.open_circuit_v(initial.poa_wpm2, state.cell_degc, as_conditioned)
                              : 0.0;
    state.input_v = std::max(open_v, built_->parts.buck->blocks_reverse() ? 0.0 : state.bus_v);
  }
  for (std::size_t i = 0; i < params().loads.size(); ++i) {
    const bool on = conditions.loads[i].on && (params().loads[i].unswitched || conditions.load_switch_on);
    state.load_state[i] = settled_load_state(params().loads[i], on, state.bus_v);
  }
  // Implicit Euler with ever longer steps, all but the fast unknowns held: ends at the point of rest.
  CircuitSystem system{params(), built_->parts, conditions, standing(state, conditions)};
  system.freeze_slow();
  Vector y = gather(state, conditions, system);
  y[Slot::kPoa] = std::max(0.0, initial.poa_wpm2);
  LoadTimeline{params(), conditions}.put(state.now, ScheduleSide::kAfter, y);
  Vector f{};
  Vector k{};
  constexpr int kSteps = 400;
  double h = 1e-9;
  for (int i = 0; i < kSteps && system.rates(y, f); ++i) {
    system.mark();
    system.linearise(1.0 / h);
    system.solve(f, k);
    double moved = 0.0;
    for (std::size_t j = 0; j < system.size(); ++j) {
      y[j] += k[j];
      moved = std::max(moved, std::abs(k[j]));
    }
    h = std::min(h * (moved < 0.5 ? 2.0 : 1.05), 1e5);
  }
  scatter(y, system, Books{}, GrossCharge{}, state);
  return state;
}

Standing Circuit::standing(const CircuitState& state, const Conditions& conditions) const {
  return {state.battery_fuse.blown, state.panel_fuse.blown, stage_degc(params().stage, conditions, state.stage_degc),
          state.protection.open};
}

CircuitRun& Circuit::kept_run(TransitionMemory& memory, const CircuitState& state, const Conditions& conditions) const {
  Standing with = standing(state, conditions);
  if (params().stage.heat_sink) with.stage_degc = memory.felt_degc(with.stage_degc);
  return memory.run_under(params(), built_->parts, conditions, with);
}

Probes Circuit::probe(const CircuitState& state, const Conditions& conditions, ScheduleSide side) const {
  CircuitSystem system{params(), built_->parts, conditions, standing(state, conditions)};
  Vector y = gather(state, conditions, system);
  const LoadTimeline loads{params(), conditions};
  if (loads.has_schedules()) loads.put(state.now, side, y);
  Vector f{};
  const bool evaluated = system.rates(y, f);
  return seen(state, conditions, y, system, evaluated);
}

Probes Circuit::probe(const CircuitState& state, const Conditions& conditions, TransitionMemory& memory) const {
  if (memory.lent()) return probe(state, conditions);
  CircuitRun& run = kept_run(memory, state, conditions);
  run.ahead.forget();
  if (run.loads.has_schedules() || run.loads.has_lockouts() || built_->parts.battery.protection()) {
    return probe(state, conditions);  // what steps under these forget, this must not remember
  }
  const Vector y = gather(state, conditions, run.system);
  run.system.follow_battery(y);
  if (after_edge(state, conditions) && !run.slow.fuses()) {
    const auto known = memory.look_up(run, y);
    if (known.transition != nullptr) {
      std::optional<Probes>& shown = memory.shown_there(conditions.gate_on);
      if (!shown) {
        const double battery_a = run.system.battery_a(y);
        shown = seen(state, conditions, y, run.system, known.transition->at_edge(*known.away), battery_a);
      }
      return *shown;
    }
  }
  run.stepper.go_on_from(y);
  return seen(state, conditions, y, run.system, run.stepper.look(y));
}

double Circuit::sampled_v(CircuitState& state, const Conditions& conditions, std::size_t channel,
                          const AdcInputParams& input, double held_v) const {
  double& pin_v = state.sense_v[channel];
  if (input.sampling_capacitance_f == 0.0 || conditions.sense_faults[channel] == SenseFaultKind::kStuck) return pin_v;
  const SenseChannel& sense = built_->parts.sense[channel];
  SenseChannel::Scratch scratch;
  const SenseWorld world{sense.node() == SenseNode::kPanelInput ? state.input_v : state.bus_v,
                         sense.node() == SenseNode::kStageTemperature
                             ? stage_degc(params().stage, conditions, state.stage_degc)
                             : state.battery.battery_degc,
                         conditions.ambient_degc, conditions.supply_v, conditions.sense_faults[channel]};
  const double farad = sense.capacitance_f();
  const Sampled sampled = sample_pin(input, {pin_v, farad, -farad * sense.at(pin_v, world, scratch).pin_d_pin}, held_v);
  pin_v += sampled.pin_step_v;
  return sampled.held_v;
}

double Circuit::sampled_v(CircuitState& state, const Conditions& conditions, std::size_t channel,
                          const AdcInputParams& input, double held_v, Nanos at, TransitionMemory& memory) const {
  if (at <= state.now) return sampled_v(state, conditions, channel, input, held_v);
  Foresight& ahead = memory.ahead(conditions.gate_on);
  const double pin_v = ahead.remembered() ? memory.pin_v(conditions.gate_on, channel, ahead.since_start(at)) +
                                                ahead.pulled_v(channel, at)
                                          : ahead.pin_v(channel, at);
  if (input.sampling_capacitance_f == 0.0 || conditions.sense_faults[channel] == SenseFaultKind::kStuck) return pin_v;
  const PinShare& share = ahead.share(channel, input, built_->parts.sense[channel].capacitance_f());
  const Sampled sampled = sample_pin(pin_v, share, held_v);
  ahead.pull(channel, at, sampled.pin_step_v);
  return sampled.held_v;
}

double Circuit::books_residual_j(const CircuitState& start, const CircuitState& end) const {
  const Books& a = start.books;
  const Books& b = end.books;
  return (b.panel_j - a.panel_j) - (b.wiring_j - a.wiring_j) - (b.stage_j - a.stage_j) -
         (b.battery_in_j - a.battery_in_j) - (b.loads_j - a.loads_j) - (b.sense_j - a.sense_j) -
         (stored_j(params(), end) - stored_j(params(), start));
}

}  // namespace dawnrig::plant
