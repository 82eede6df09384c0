#include "plant/circuit.h"

#include <algorithm>
#include <cmath>

#include "plant/board_watch.h"
#include "plant/circuit_run.h"
#include "plant/circuit_system.h"
#include "plant/circuit_view.h"
#include "plant/long_stepper.h"
#include "plant/transition_memory.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

constexpr double kLongestStepS = 600.0;
constexpr double kQuietS = 2.5e-3;  // what is proposed after a transition; too much costs one trial

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

// One advance, by one method, under one set of conditions.
template <class Stepper>
class Advance {
 public:
  Advance(CircuitRun& run, Stepper& stepper, CircuitState& state, const Conditions& conditions, StepObserver* observer,
          TransitionMemory* memory)
      : run_{run},
        system_{run.system},
        slow_{run.slow},
        loads_{run.loads},
        stepper_{stepper},
        state_{state},
        conditions_{conditions},
        observer_{observer},
        memory_{memory},
        board_{run.system, state},
        alone_{!loads_.has_schedules() && !loads_.has_lockouts() && !board_.any()},
        since_{state.books},
        y_{gather(state, conditions, run.system)} {}

  /// To that instant, or to where a fuse blew or the battery's board acted.
  AdvanceStatus to(Nanos end) {
    follow_slow(end);
    if (board_.any() && board_.acts(y_)) return AdvanceStatus::kOk;  // conditions may be other than at the last step
    stepper_.go_on_from(y_);
    TransitionMemory::Recalled known;
    if (memory_ != nullptr && alone_ && !slow_.fuses() && after_edge(state_, conditions_)) {
      known = memory_->recall(run_, y_, straight_ - state_.now);
    }
    if (known.transition != nullptr) {
      if (slow_.any()) from_ = y_;
      go_through(*known.transition, known.away);
      if (slow_.any()) (void)slow_.follow(system_, from_, y_, in_seconds(known.transition->length()), state_);
      stepper_.propose(kQuietS);
      stepper_.forget();
      follow_slow(end);
    }
    while (state_.now < end && step(end)) {
    }
    put();
    state_.gate = conditions_.gate_on ? GateSeen::kOn : GateSeen::kOff;
    return stepper_.status();
  }

 private:
  void follow_slow(Nanos end) {
    double slope = 0.0;
    straight_ = sun_straight_until(conditions_.sun, state_.now, end, slope);
    system_.set_sun_slope(slope);
    y_[Slot::kPoa] = sun_wpm2(conditions_.sun, state_.now);
    system_.follow_battery(y_);
  }

  void put() {
    scatter(y_, system_, since_, gross_, state_);
    state_.step_hint_s = stepper_.proposed_s();
  }

  // Whether it goes on under the same circuit.
  bool step(Nanos end) {
    bool jumped = false;
    if (loads_.has_schedules()) {
      straight_ = std::min(straight_, loads_.follow(state_.now, y_, system_));
      jumped = loads_.jumps_at(state_.now);
    }
    while (loads_.has_lockouts() && loads_.change_due(y_, system_)) jumped = true;
    if (jumped && observer_ != nullptr) {
      put();
      observer_->on_jump(state_, conditions_);
    }
    if (!alone_) system_.follow_battery(y_);
    const double from_a = system_.battery_a(y_);
    const double net_ah = y_[Slot::kNetAh];
    if (slow_.any() || loads_.has_lockouts() || board_.any()) from_ = y_;
    if (board_.any()) straight_ = board_.until(straight_);
    Nanos took = stepper_.step(y_, straight_ - state_.now);
    if (board_.any()) took = board_.shorter_step(stepper_, from_, y_, took);
    if (took.count() == 0) return false;
    if (loads_.has_lockouts() && loads_.margin_v(y_, system_) < 0.0) {
      took = loads_.back_to_threshold(stepper_, system_, from_, y_, took);
    }
    if (!alone_) stepper_.forget();  // something else may move before the next step
    gross_.add(y_[Slot::kNetAh] - net_ah, from_a, system_.battery_a(y_), in_seconds(took));
    state_.now += took;
    const bool blew = slow_.any() && slow_.follow(system_, from_, y_, in_seconds(took), state_);
    const bool acted = board_.any() && board_.acts(y_);
    follow_slow(end);
    if (observer_ != nullptr) {  // what is worked out here, the next step begins with
      put();
      const bool evaluated = stepper_.look(y_);
      observer_->on_step(state_, conditions_, seen(state_, conditions_, y_, system_, evaluated));
    } else if (memory_ != nullptr && state_.now == end) {
      stepper_.look_later(y_);
    }
    if (!alone_) stepper_.forget();
    return !blew && !acted;
  }

  // From an edge through what is remembered of it, telling of every step if there is anybody to tell.
  void go_through(const Transition& known, const Transition::Away& away) {
    const std::size_t last = known.steps() - 1;
    const Transition::Sample end = known.sample(last, away);
    const double from_a = system_.battery_a(y_);
    const bool turns = (from_a + system_.battery_s() * known.lowest_v() < 0.0) !=
                       (from_a + system_.battery_s() * known.highest_v() < 0.0);
    if (!turns) gross_.add(end.net_ah - y_[Slot::kNetAh], from_a, from_a, in_seconds(known.length()));
    const Nanos edge = state_.now;
    if (turns && observer_ == nullptr) charge_up_to(last, known, away);
    double battery_a = system_.battery_a(y_);
    for (std::size_t i = observer_ != nullptr ? 0 : last; i <= last; ++i) {
      const Transition::Sample at = i == last ? end : known.sample(i, away);
      const double step_a = battery_a;
      const double step_ah = at.net_ah - y_[Slot::kNetAh];
      stand_at(at);
      if (i == last) {
        const double h_s = in_seconds(known.length());
        y_[Slot::kCellDegc] += h_s * (1.0 - 0.5 * h_s / SingleDiodePanel::kThermalLagS) *
                               system_.cell_degc_per_s(y_[Slot::kPoa], y_[Slot::kCellDegc]);
        known.finish(away, y_);
      }
      const Nanos now = edge + known.end_of(i);
      battery_a = system_.battery_a(y_);
      if (turns) gross_.add(step_ah, step_a, battery_a, in_seconds(now - state_.now));
      state_.now = now;
      if (observer_ == nullptr) continue;
      put();
      observer_->on_step(state_, conditions_, seen(state_, conditions_, y_, system_, at, battery_a));
    }
  }

  // The gross charge of all steps but the last, with nobody to tell of them.
  void charge_up_to(std::size_t last, const Transition& known, const Transition::Away& away) {
    const Transition::Charged at = known.charged(away);
    const double inner_v = system_.parts().battery.inner_v(CircuitSystem::battery_of(y_));  // until the last step
    double from_a = system_.battery_a(y_);
    double from_ah = y_[Slot::kNetAh];
    const Nanos edge = state_.now;
    for (std::size_t i = 0; i < last; ++i) {
      const double to_a = system_.battery_s() * (at.bus_v[i] - inner_v);
      const Nanos now = edge + known.end_of(i);
      gross_.add(at.net_ah[i] - from_ah, from_a, to_a, in_seconds(now - state_.now));
      state_.now = now;
      from_a = to_a;
      from_ah = at.net_ah[i];
    }
    if (last == 0) return;
    y_[Slot::kBus] = at.bus_v[last - 1];
    y_[Slot::kNetAh] = from_ah;
  }

  void stand_at(const Transition::Sample& at) {
    y_[Slot::kInput] = at.input_v;
    y_[Slot::kBus] = at.bus_v;
    y_[Slot::kNetAh] = at.net_ah;
    for (std::size_t k = system_.first_sense(); k < system_.size(); ++k) y_[k] = at.pin_v[k - system_.first_sense()];
  }

  CircuitRun& run_;
  CircuitSystem& system_;
  const SlowParts& slow_;
  const LoadTimeline& loads_;
  Stepper& stepper_;
  CircuitState& state_;
  const Conditions& conditions_;
  StepObserver* const observer_;
  TransitionMemory* const memory_;
  BoardWatch board_;
  const bool alone_;
  const Books since_;
  GrossCharge gross_;
  Vector y_;
  Vector from_;        // where the last step began, for who asks
  Nanos straight_{0};  // until when the sun and the schedules keep their slopes
};

AdvanceStatus run_in(CircuitRun& run, CircuitState& state, const Conditions& conditions, Nanos to,
                     StepObserver* observer, TransitionMemory* memory) {
  const double stretch_s = in_seconds(to - state.now);
  if (GateStepper::suits(run.system, stretch_s)) {
    if (state.step_hint_s > 0.0) run.stepper.propose(state.step_hint_s);
    return Advance{run, run.stepper, state, conditions, observer, memory}.to(to);
  }
  run.stepper.forget();  // another method evaluates the system
  LongStepper stepper{
      run.system,
      inverse_tolerances(run.system.parts().buck ? Method::kLongStepperOfBuck : Method::kLongStepper, run.system),
      state.step_hint_s, run.slow.longest_step_s(stretch_s, kLongestStepS)};
  return Advance{run, stepper, state, conditions, observer, nullptr}.to(to);
}

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

AdvanceStatus Circuit::advance(CircuitState& state, const Conditions& conditions, Nanos to, StepObserver* observer,
                               TransitionMemory* memory) const {
  AdvanceStatus status = AdvanceStatus::kOk;
  // Goes on where a fuse has blown on the way, or the battery's board acted, with another circuit from there.
  while (state.now < to && status == AdvanceStatus::kOk) status = run_on(state, conditions, to, observer, memory);
  return status;
}

AdvanceStatus Circuit::run_on(CircuitState& state, const Conditions& conditions, Nanos to, StepObserver* observer,
                              TransitionMemory* memory) const {
  state.stage_degc = stage_degc(params().stage, conditions, state.stage_degc);
  if (memory != nullptr) {
    const TransitionMemory::Loan loan{*memory};
    return run_in(kept_run(*memory, state, conditions), state, conditions, to, observer, memory);
  }
  CircuitRun once{params(), built_->parts, conditions, standing(state, conditions)};
  return run_in(once, state, conditions, to, observer, memory);
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
  if (run.loads.has_schedules() || run.loads.has_lockouts() || built_->parts.battery.protection()) {
    return probe(state, conditions);  // what steps under these forget, this must not remember
  }
  const Vector y = gather(state, conditions, run.system);
  run.system.follow_battery(y);
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

double Circuit::books_residual_j(const CircuitState& start, const CircuitState& end) const {
  const Books& a = start.books;
  const Books& b = end.books;
  return (b.panel_j - a.panel_j) - (b.wiring_j - a.wiring_j) - (b.stage_j - a.stage_j) -
         (b.battery_in_j - a.battery_in_j) - (b.loads_j - a.loads_j) - (b.sense_j - a.sense_j) -
         (stored_j(params(), end) - stored_j(params(), start));
}

}  // namespace dawnrig::plant
