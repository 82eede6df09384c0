#include "plant/circuit.h"

#include <algorithm>
#include <cmath>

#include "plant/board_watch.h"
#include "plant/circuit_system.h"
#include "plant/circuit_view.h"
#include "plant/gate_stepper.h"
#include "plant/load_timeline.h"
#include "plant/long_stepper.h"
#include "plant/slow_parts.h"
#include "plant/transition_memory.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

// Error allowed per step of the embedded second-order solution. The one kept is better by how much each method's tests
// measure. The bus must be right within 0.1 mV; what a capacitor misses ends up on the bus in proportion to the
// capacitances.
struct Tolerances {
  double bus_v;
  double most_input_v;
  double pin_v;
  double polarisation_v;
  double filament;
};
constexpr Tolerances kOfLongStepper{5e-5, 5e-3, 1e-4, 1e-5, 1e-4};
// The same method on ramps of inductor current: hardly a thirtieth of the estimate is left on the bus.
constexpr Tolerances kOfBuck{2e-4, 2e-2, 1e-3, 1e-5, 1e-4};
constexpr Tolerances kOfGateStepper{3e-4, 2e-2, 1e-3, 1e-5, 3e-4};
constexpr double kSocTolerance = 1e-7;
constexpr double kHysteresisTolerance = 1e-4;
constexpr double kCurvedToleranceJ = 0.05;  // hours of 100 W are then right to 1e-6
constexpr double kTemperatureToleranceK = 1e-3;

constexpr double kInductorToleranceA = 3e-4;
constexpr double kLossToleranceJ = 1e-4;
constexpr double kLongestStepS = 600.0;
constexpr double kQuietS = 1e-3;  // what is proposed after a transition; too much costs one trial

Vector inverse_tolerances(const Tolerances& of, const CircuitParams& params, const CircuitSystem& system) {
  Vector inverse{};  // zero: not judged
  const double ratio = params.stage.output_capacitance_f / params.stage.input_capacitance_f;
  inverse[Slot::kInput] = 1.0 / std::clamp(of.bus_v * ratio, of.bus_v, of.most_input_v);
  inverse[Slot::kBus] = 1.0 / of.bus_v;
  inverse[Slot::kInductor] = 1.0 / kInductorToleranceA;
  if (!system.plain_series()) inverse[Slot::kStageJ] = 1.0 / kLossToleranceJ;
  inverse[Slot::kFast] = inverse[Slot::kSlow] = 1.0 / of.polarisation_v;
  inverse[Slot::kSoc] = 1.0 / kSocTolerance;
  inverse[Slot::kHysteresis] = 1.0 / kHysteresisTolerance;
  if (system.parts().battery.curved()) inverse[Slot::kBatteryJ] = 1.0 / kCurvedToleranceJ;
  inverse[Slot::kBatteryDegc] = inverse[Slot::kCellDegc] = 1.0 / kTemperatureToleranceK;
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) inverse[i] = 1.0 / of.filament;
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) inverse[i] = 1.0 / of.pin_v;
  return inverse;
}

// Until when the sun keeps the slope it has just after `now`: a ramp bends where it meets darkness.
Nanos sun_straight_until(const Conditions::Sun& sun, Nanos now, Nanos to, double& slope) {
  slope = sun.slope_wpm2_per_s;
  if (slope == 0.0) return to;
  const double dark_s = -sun.poa_wpm2 / slope;
  if (std::abs(dark_s) > 1e9) {  // further than any run; and not representable
    if (sun_wpm2(sun, now) <= 0.0) slope = 0.0;
    return to;
  }
  const Nanos dark = sun.since + from_seconds(dark_s);
  const bool before = now < dark;
  if (before == (slope > 0.0)) slope = 0.0;
  return before ? std::min(to, dark) : to;
}

bool after_edge(const CircuitState& state, const Conditions& conditions) {
  return state.gate == (conditions.gate_on ? GateSeen::kOff : GateSeen::kOn);
}

// From an edge through what is remembered of it, telling of every step if there is anybody to tell.
template <class Put>
void go_through(const Transition& known, const CircuitSystem& system, const Conditions& conditions, Vector& y,
                GrossCharge& gross, CircuitState& state, const Put& put_state, StepObserver* observer) {
  const Transition::Away away = known.away(Transition::place_of(system, y, conditions.gate_on));
  const std::size_t last = known.steps() - 1;
  const Transition::Sample end = known.sample(last, away);
  const auto put = [&](const Transition::Sample& at) {
    y[Slot::kInput] = at.input_v;
    y[Slot::kBus] = at.bus_v;
    y[Slot::kNetAh] = at.net_ah;
    for (std::size_t k = system.first_sense(); k < system.size(); ++k) y[k] = at.pin_v[k - system.first_sense()];
  };
  const double from_a = system.battery_a(y);
  const bool turns =
      (from_a + system.battery_s() * known.lowest_v() < 0.0) != (from_a + system.battery_s() * known.highest_v() < 0.0);
  if (!turns) gross.add(end.net_ah - y[Slot::kNetAh], from_a, from_a, in_seconds(known.length()));
  const Nanos edge = state.now;
  for (std::size_t i = turns || observer != nullptr ? 0 : last; i <= last; ++i) {
    const Transition::Sample at = i == last ? end : known.sample(i, away);
    const double step_a = system.battery_a(y);
    const double step_ah = at.net_ah - y[Slot::kNetAh];
    put(at);
    if (i == last) {
      const double h_s = in_seconds(known.length());
      y[Slot::kCellDegc] += h_s * (1.0 - 0.5 * h_s / SingleDiodePanel::kThermalLagS) *
                            system.cell_degc_per_s(y[Slot::kPoa], y[Slot::kCellDegc]);
      known.finish(away, y);
    }
    const Nanos now = edge + known.end_of(i);
    if (turns) gross.add(step_ah, step_a, system.battery_a(y), in_seconds(now - state.now));
    state.now = now;
    if (observer == nullptr) continue;
    put_state();
    observer->on_step(state, conditions, seen(state, conditions, y, system, at));
  }
}

// What is worked out here, the next step begins with.
template <class Stepper>
void show_step(Stepper& stepper, const CircuitSystem& system, const Conditions& conditions, const Vector& y,
               const CircuitState& state, StepObserver& observer) {
  const bool evaluated = stepper.look(y);
  observer.on_step(state, conditions, seen(state, conditions, y, system, evaluated));
}

double stored_j(const CircuitParams& params, const CircuitState& state) {
  const auto* buck = std::get_if<BuckParams>(&params.stage.topology);
  const double henry = buck != nullptr ? buck->inductance_henry : 0.0;
  return 0.5 * henry * state.inductor_a * state.inductor_a +
         0.5 * params.stage.input_capacitance_f * state.input_v * state.input_v +
         0.5 * params.stage.output_capacitance_f * state.bus_v * state.bus_v;
}

}  // namespace

Circuit::Circuit(const CircuitParams& checked) : params_{checked}, parts_{checked} {}

CircuitState Circuit::at_rest(const InitialConditions& initial, const Conditions& conditions) const {
  CircuitState state;
  state.battery.soc_frac = initial.soc_frac;
  state.battery.battery_degc =
      conditions.battery_held_at_temperature ? conditions.battery_held_degc : initial.battery_degc;
  state.stage_degc = initial.ambient_degc;
  state.cell_degc =
      initial.ambient_degc + parts_.panel.warming_k_per_wpm2(conditions.wind_m_per_s) * std::max(0.0, initial.poa_wpm2);
  state.bus_v = conditions.battery_connected ? parts_.battery.inner_v(state.battery) : 0.0;
  if (parts_.buck) {  // from where its inductor has least to do
    PanelScratch as_conditioned;
    as_conditioned.shade = &conditions.panel_shade;
    as_conditioned.fault = conditions.panel_fault;
    const double open_v = initial.poa_wpm2 > 0.0 && conditions.panel_connected
                              ? parts_.panel.open_circuit_v(initial.poa_wpm2, state.cell_degc, as_conditioned)
                              : 0.0;
    state.input_v = std::max(open_v, parts_.buck->blocks_reverse() ? 0.0 : state.bus_v);
  }
  for (std::size_t i = 0; i < params_.loads.size(); ++i) {
    const bool on = conditions.loads[i].on && (params_.loads[i].unswitched || conditions.load_switch_on);
    state.load_state[i] = settled_load_state(params_.loads[i], on, state.bus_v);
  }
  // Implicit Euler with ever longer steps, all but the fast unknowns held: ends at the point of rest.
  CircuitSystem system{params_, parts_, conditions, standing(state, conditions)};
  system.freeze_slow();
  Vector y = gather(state, conditions, system);
  y[Slot::kPoa] = std::max(0.0, initial.poa_wpm2);
  LoadTimeline{params_, conditions}.put(state.now, ScheduleSide::kAfter, y);
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
  return {state.battery_fuse.blown, state.panel_fuse.blown,
          params_.stage.heat_sink ? state.stage_degc : conditions.ambient_degc, state.protection.open};
}

AdvanceStatus Circuit::advance(CircuitState& state, const Conditions& conditions, Nanos to, StepObserver* observer,
                               TransitionMemory* memory) const {
  AdvanceStatus status = AdvanceStatus::kOk;
  // Goes on where a fuse has blown on the way, or the battery's board acted, with another circuit from there.
  while (state.now < to && status == AdvanceStatus::kOk) status = run_on(state, conditions, to, observer, memory);
  return status;
}

AdvanceStatus Circuit::run_on(CircuitState& state, const Conditions& conditions, Nanos to, StepObserver* observer,
                              TransitionMemory* memory) const {
  CircuitSystem system{params_, parts_, conditions, standing(state, conditions)};
  const SlowParts slow{params_, conditions};
  if (!params_.stage.heat_sink) state.stage_degc = conditions.ambient_degc;
  const LoadTimeline loads{params_, conditions};
  BoardWatch board{system, state};
  const bool alone = !loads.has_schedules() && !loads.has_lockouts() && !board.any();
  const auto run = [&](auto&& stepper) {
    const Books since = state.books;
    GrossCharge gross;
    Vector y = gather(state, conditions, system);
    Vector from{};
    double slope = 0.0;
    Nanos straight{0};
    const auto follow_slow = [&] {
      straight = sun_straight_until(conditions.sun, state.now, to, slope);
      system.set_sun_slope(slope);
      y[Slot::kPoa] = sun_wpm2(conditions.sun, state.now);
      system.follow_battery(y);
    };
    const auto put = [&] {
      scatter(y, system, since, gross, state);
      state.step_hint_s = stepper.proposed_s();
    };
    follow_slow();
    if (board.any() && board.acts(y)) return AdvanceStatus::kOk;  // conditions may be other than at the last step
    const Transition* known = nullptr;
    if (memory != nullptr && alone && !slow.any() && after_edge(state, conditions)) {
      known = memory->recall(system, conditions, y, straight - state.now,
                             inverse_tolerances(kOfGateStepper, params_, system));
    }
    if (known != nullptr) {
      go_through(*known, system, conditions, y, gross, state, put, observer);
      stepper.propose(kQuietS);
      follow_slow();
    }
    while (state.now < to) {
      bool jumped = false;
      if (loads.has_schedules()) {
        straight = std::min(straight, loads.follow(state.now, y, system));
        jumped = loads.jumps_at(state.now);
      }
      while (loads.has_lockouts() && loads.change_due(y, system)) jumped = true;
      if (jumped && observer != nullptr) {
        put();
        observer->on_jump(state, conditions);
      }
      if (!alone) system.follow_battery(y);
      const double from_a = system.battery_a(y);
      const double net_ah = y[Slot::kNetAh];
      if (slow.any() || loads.has_lockouts() || board.any()) from = y;
      if (board.any()) straight = board.until(straight);
      Nanos took = stepper.step(y, straight - state.now);
      if (board.any()) took = board.shorter_step(stepper, from, y, took);
      if (took.count() == 0) break;
      if (loads.has_lockouts() && loads.margin_v(y, system) < 0.0) {
        took = loads.back_to_threshold(stepper, system, from, y, took);
      }
      gross.add(y[Slot::kNetAh] - net_ah, from_a, system.battery_a(y), in_seconds(took));
      state.now += took;
      const bool blew = slow.any() && slow.follow(system, from, y, in_seconds(took), state);
      const bool acted = board.any() && board.acts(y);
      follow_slow();
      if (observer != nullptr) {
        put();
        show_step(stepper, system, conditions, y, state, *observer);
        if (!alone) stepper.forget();  // something else may move before the next step
      }
      if (blew || acted) break;
    }
    put();
    state.gate = conditions.gate_on ? GateSeen::kOn : GateSeen::kOff;
    return stepper.status();
  };
  if (GateStepper::suits(system, in_seconds(to - state.now))) {
    return run(GateStepper{system, inverse_tolerances(kOfGateStepper, params_, system), state.step_hint_s});
  }
  memory = nullptr;
  return run(LongStepper{system, inverse_tolerances(parts_.buck ? kOfBuck : kOfLongStepper, params_, system),
                         state.step_hint_s, slow.longest_step_s(in_seconds(to - state.now), kLongestStepS)});
}

Probes Circuit::probe(const CircuitState& state, const Conditions& conditions, ScheduleSide side) const {
  CircuitSystem system{params_, parts_, conditions, standing(state, conditions)};
  Vector y = gather(state, conditions, system);
  const LoadTimeline loads{params_, conditions};
  if (loads.has_schedules()) loads.put(state.now, side, y);
  Vector f{};
  const bool evaluated = system.rates(y, f);
  return seen(state, conditions, y, system, evaluated);
}

double Circuit::sampled_v(CircuitState& state, const Conditions& conditions, std::size_t channel,
                          const AdcInputParams& input, double held_v) const {
  double& pin_v = state.sense_v[channel];
  if (input.sampling_capacitance_f == 0.0 || conditions.sense_faults[channel] == SenseFaultKind::kStuck) return pin_v;
  const SenseChannel& sense = parts_.sense[channel];
  SenseChannel::Scratch scratch;
  const SenseWorld world{sense.node() == SenseNode::kPanelInput ? state.input_v : state.bus_v,
                         state.battery.battery_degc, conditions.ambient_degc, conditions.supply_v,
                         conditions.sense_faults[channel]};
  const double farad = sense.capacitance_f();
  const Sampled sampled = sample_pin(input, {pin_v, farad, -farad * sense.at(pin_v, world, scratch).pin_d_pin}, held_v);
  pin_v += sampled.pin_step_v;
  return sampled.held_v;
}

double Circuit::books_residual_j(const CircuitState& start, const CircuitState& end) const {
  const Books& a = start.books;
  const Books& b = end.books;
  return (b.panel_j - a.panel_j) - (b.wiring_j - a.wiring_j) - (b.stage_j - a.stage_j) -
         (b.battery_in_j - a.battery_in_j) - (b.loads_j - a.loads_j) - (b.sense_j - a.sense_j) -
         (stored_j(params_, end) - stored_j(params_, start));
}

}  // namespace dawnrig::plant
