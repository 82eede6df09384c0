// Takes a circuit from one instant to another: steps of the integrator, what is remembered in place of them, and all
// that is followed beside them.
#include <algorithm>
#include <cmath>

#include "plant/board_watch.h"
#include "plant/circuit.h"
#include "plant/circuit_run.h"
#include "plant/circuit_system.h"
#include "plant/circuit_view.h"
#include "plant/long_stepper.h"
#include "plant/remembered_stretch.h"
#include "plant/transition_memory.h"
#include "plant/turning_current.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

constexpr double kLongestStepS = 600.0;
constexpr double kMostSunWpm2 = 0.05;  // that it may move in an interval that is remembered
constexpr double kQuietS = 2.5e-3;     // what is proposed after a transition; too much costs one trial

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
        ahead_{run.ahead},
        board_{run.system, state},
        alone_{!loads_.has_schedules() && !loads_.has_lockouts() && !board_.any()},
        since_{state.books},
        y_{gather(state, conditions, run.system)} {}

  /// To that instant, or to where a fuse blew or the battery's board acted.
  AdvanceStatus to(Nanos end) {
    follow_slow(end);
    if (board_.any() && board_.acts(y_)) return AdvanceStatus::kOk;  // conditions may be other than at the last step
    if (const auto known = interval_to(end); known.transition != nullptr) {
      pass_interval(known, end);
      return stand();
    }
    stepper_.go_on_from(y_);
    pass_edge(end, end);
    while (state_.now < end && step(end)) {
    }
    return stand();
  }

  /// Whether steps may be taken ahead of the circuit: nothing but the equations decides where they end.
  [[nodiscard]] bool foresees() const { return alone_ && !slow_.fuses(); }

  /// The step that was foreseen.
  AdvanceStatus through_foreseen(Nanos end) {
    go_foreseen(end);
    return stand();
  }

  /// Up to the last step that ends by `at`; the one that leads past it, and no further than `until`, is foreseen.
  AdvanceStatus near(Nanos at, Nanos until) {
    if (ahead_.starts_at(state_.now, conditions_.sun)) {
      go_foreseen(until);
    } else {
      ahead_.forget();
      follow_slow(until);
      if (const auto known = interval_to(until);
          known.transition != nullptr && at - state_.now >= known.transition->length()) {
        ahead_.keep_remembered(state_.now, until, conditions_.sun, *known.remainder);
        return AdvanceStatus::kOk;  // where it was
      }
      stepper_.go_on_from(y_);
    }
    pass_edge(at, until);
    while (state_.now < at && !ahead_.any() && step_near(at, until)) {
    }
    return stand();
  }

 private:
  AdvanceStatus stand() {
    if (!is_put_) put();
    if (!after_edge(state_, conditions_) || state_.now > began_) {
      state_.gate = conditions_.gate_on ? GateSeen::kOn : GateSeen::kOff;
    }
    return stepper_.status();
  }

  // From an edge to the next, where all of that is remembered.
  [[nodiscard]] TransitionMemory::Interval interval_to(Nanos end) {
    const bool asks = memory_ != nullptr && foresees() && state_.now == began_ && after_edge(state_, conditions_);
    if (!asks || !pins_are_free(system_, y_, conditions_.supply_v)) return {};
    if (std::abs(system_.sun_slope_wpm2_per_s()) * in_seconds(end - state_.now) > kMostSunWpm2) return {};
    return memory_->interval(run_, y_, end - state_.now);
  }

  void pass_interval(const TransitionMemory::Interval& known, Nanos end) {
    const Nanos edge = state_.now;
    from_ = y_;
    const Transition& first = *known.transition;
    if (observer_ != nullptr && !observer_->takes_stretches()) tell_steps(known);
    TurningCurrent current{system_, y_, std::min(first.lowest_v(), known.remainder->lowest_v()),
                           std::max(first.highest_v(), known.remainder->highest_v()), gross_};
    current.follow(first, *known.away, first.steps());
    current.follow(known);
    const bool as_one = observer_ != nullptr && observer_->takes_stretches();
    std::optional<Probes>& at_edge = memory_->shown_there(conditions_.gate_on);
    if (as_one && !at_edge)
      at_edge = seen(state_, conditions_, y_, system_, first.at_edge(*known.away), system_.battery_a(y_));
    first.pass_but_for_sample(*known.away, system_, y_);
    const Transition::Sample at_end = known.remainder->pass(*known.rest_away, known.span, system_, y_);
    state_.now = edge + known.whole();
    const double battery_a = system_.battery_a(y_);
    current.finish(y_[Slot::kNetAh], battery_a, known.whole());
    ahead_.settle_pulls(system_, state_.now, y_);
    if (slow_.any()) (void)slow_.follow(system_, from_, y_, in_seconds(known.whole()), state_);
    stepper_.propose(kQuietS);
    stepper_.forget();
    follow_slow(end);
    put();
    if (observer_ == nullptr) return;
    if (!as_one) return tell(at_end, battery_a);
    const Probes probes = seen(state_, conditions_, y_, system_, at_end, battery_a);
    observer_->on_stretch(state_, conditions_, probes,
                          RememberedStretch{system_, from_, known, {edge, *at_edge, probes, conditions_.supply_v}});
    at_edge.reset();
  }

  // Of all its steps but the last, one by one.
  void tell_steps(const TransitionMemory::Interval& known) {
    const Nanos edge = state_.now;
    const Nanos quiet = edge + known.transition->length();
    for (std::size_t i = 0; i < known.transition->steps(); ++i) {
      tell_on_the_way(known.transition->sample(i, *known.away), edge + known.transition->end_of(i));
    }
    for (std::size_t i = 0; i + 1 < known.remainder->steps(); ++i) {
      tell_on_the_way(known.remainder->sample(i, *known.rest_away, known.span),
                      quiet + known.remainder->end_of(i, known.span));
    }
    state_.now = edge;
    y_ = from_;
  }

  // After an edge, through what is remembered of it, or as many of its steps as end by `end`. All of it must have its
  // time before `until`: who breaks off each time adds up what a pin misses.
  void pass_edge(Nanos end, Nanos until) {
    if (memory_ == nullptr || !foresees() || state_.now > began_ || !after_edge(state_, conditions_)) return;
    const auto known = memory_->recall(run_, y_, std::min(until, straight_) - state_.now);
    if (known.transition == nullptr) return;
    const std::size_t steps = known.transition->steps_within(end - state_.now);
    if (steps == 0) return;
    if (slow_.any()) from_ = y_;
    const Nanos edge = state_.now;
    go_through(*known.transition, steps, *known.away);
    if (slow_.any()) (void)slow_.follow(system_, from_, y_, in_seconds(state_.now - edge), state_);
    const bool whole = steps == known.transition->steps();
    stepper_.propose(whole ? kQuietS
                           : in_seconds(known.transition->end_of(steps) - known.transition->end_of(steps - 1)));
    stepper_.forget();
    ahead_.settle_pulls(system_, state_.now, y_);
    follow_slow(until);
    is_put_ = false;
  }

  // A step that is taken if it ends by `at`, and else foreseen. A pin that its protection may hold is told by steps
  // that end at `at`: there is a bend in its way, and it comes back from a pull by another.
  bool step_near(Nanos at, Nanos until) {
    if (!pins_are_free(system_, y_, conditions_.supply_v)) {
      straight_ = std::min(straight_, at);
      return step(until);
    }
    begin_books();
    from_ = y_;
    const double from_a = system_.battery_a(y_);
    const double proposed_s = stepper_.proposed_s();
    const Nanos took = stepper_.step(y_, straight_ - state_.now);
    if (state_.now + took <= at) return took.count() > 0 && arrive(took, from_a, 0.0, until);
    if (pins_are_free(system_, y_, conditions_.supply_v)) {
      stepper_.tell_ways(ahead_.begin(system_, state_.now, from_));
      ahead_.keep(state_.now + took, conditions_.sun, y_, stepper_.proposed_s());
      stepper_.propose(proposed_s);
      y_ = from_;
      return true;
    }
    y_ = from_;
    stepper_.forget();
    straight_ = std::min(straight_, at);
    return step(until);
  }

  // The books of a step that is foreseen count from its start.
  void begin_books() {
    since_ = books_at(y_, since_, gross_);
    gross_ = {};
    std::fill(y_.begin() + Slot::kPanelJ, y_.begin() + Slot::kFirstLoad, 0.0);
  }

  void go_foreseen(Nanos end) {
    if (ahead_.remembered()) {
      ahead_.forget();
      follow_slow(end);
      pass_interval(memory_->last_interval(conditions_.gate_on), end);
      return;
    }
    from_ = y_;
    const double from_a = system_.battery_a(y_);
    y_ = ahead_.end_y();
    stepper_.propose(ahead_.proposed_s());
    ahead_.forget();
    (void)arrive(ahead_.end() - state_.now, from_a, 0.0, end);
  }

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
    is_put_ = true;
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
    return arrive(took, from_a, net_ah, end);
  }

  // y_ is where a step has led. Whether it goes on under the same circuit.
  bool arrive(Nanos took, double from_a, double net_ah, Nanos end) {
    gross_.add(y_[Slot::kNetAh] - net_ah, from_a, system_.battery_a(y_), in_seconds(took));
    state_.now += took;
    is_put_ = false;
    ahead_.settle_pulls(system_, state_.now, y_);
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
  void go_through(const Transition& known, std::size_t steps, const Transition::Away& away) {
    const std::size_t last = steps - 1;
    const Nanos edge = state_.now;
    TurningCurrent current{system_, y_, known.lowest_v(), known.highest_v(), gross_};
    for (std::size_t i = 0; observer_ != nullptr && i < last; ++i) {
      tell_on_the_way(known.sample(i, away), edge + known.end_of(i));
    }
    current.follow(known, away, last);
    const Transition::Sample end = known.pass(last, away, system_, y_);
    state_.now = edge + known.end_of(last);
    const double battery_a = system_.battery_a(y_);
    current.finish(end.net_ah, battery_a, known.end_of(last));
    if (observer_ != nullptr) tell(end, battery_a);
  }

  void tell_on_the_way(const Transition::Sample& at, Nanos when) {
    Transition::stand_at(at, system_, y_);
    state_.now = when;
    tell(at, system_.battery_a(y_));
  }
  void tell(const Transition::Sample& at, double battery_a) {
    put();
    observer_->on_step(state_, conditions_, seen(state_, conditions_, y_, system_, at, battery_a));
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
  Foresight& ahead_;
  BoardWatch board_;
  const bool alone_;
  const Nanos began_{state_.now};
  Books since_;
  GrossCharge gross_;
  alignas(64) Vector y_;
  alignas(64) Vector from_;  // where the last step began, for who asks
  Nanos straight_{0};        // until when the sun and the schedules keep their slopes
  bool is_put_{false};       // whether the state is what has been come to: a step ahead of it changes nothing there
};

AdvanceStatus run_in(CircuitRun& run, CircuitState& state, const Conditions& conditions, Nanos to,
                     StepObserver* observer, TransitionMemory* memory) {
  const double stretch_s = in_seconds(to - state.now);
  if (run.ahead.starts_at(state.now, conditions.sun) && run.ahead.end() <= to) {
    return Advance{run, run.stepper, state, conditions, observer, memory}.through_foreseen(to);
  }
  run.ahead.forget();
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

AdvanceStatus near_in(CircuitRun& run, CircuitState& state, const Conditions& conditions, Sight sight,
                      StepObserver* observer, TransitionMemory& memory) {
  const Nanos longest = from_seconds(GateStepper::longest_span_s(run.system));
  const bool foreseen = run.ahead.starts_at(state.now, conditions.sun);
  const bool far = sight.at - state.now > longest;
  const Nanos from = far && foreseen ? run.ahead.end() : state.now;
  if (sight.at - from > longest) return run_in(run, state, conditions, sight.at, observer, &memory);
  Advance advance{run, run.stepper, state, conditions, observer, &memory};
  if (!advance.foresees()) return run_in(run, state, conditions, sight.at, observer, &memory);
  if (!foreseen && state.step_hint_s > 0.0) run.stepper.propose(state.step_hint_s);
  return advance.near(sight.at, std::clamp(sight.until, sight.at, from + longest));
}

}  // namespace

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

AdvanceStatus Circuit::approach(CircuitState& state, const Conditions& conditions, Sight sight, StepObserver* observer,
                                TransitionMemory& memory) const {
  AdvanceStatus status = AdvanceStatus::kOk;
  while (state.now < sight.at && status == AdvanceStatus::kOk) {
    state.stage_degc = stage_degc(params().stage, conditions, state.stage_degc);
    const TransitionMemory::Loan loan{memory};
    CircuitRun& run = kept_run(memory, state, conditions);
    if (run.ahead.covers(state.now, conditions.sun, sight.at)) break;
    status = near_in(run, state, conditions, sight, observer, memory);
    if (run.ahead.covers(state.now, conditions.sun, sight.at)) break;
  }
  return status;
}

}  // namespace dawnrig::plant
