#include "plant/remembered_stretch.h"

#include <algorithm>
#include <array>
#include <limits>

#include "plant/circuit_view.h"

namespace dawnrig::plant {
namespace {

// What moves fast enough to be known of every step.
template <class Do>
void each_fast(Do&& with) {
  for (double Probes::*const one :
       {&Probes::panel_v, &Probes::panel_a, &Probes::input_v, &Probes::bus_v, &Probes::terminal_v, &Probes::battery_a,
        &Probes::charge_a, &Probes::load_v, &Probes::load_a, &Probes::gassing_a}) {
    with([one](auto& probes) -> auto& { return probes.*one; });
  }
  for (std::size_t i = 0; i < kMaxSense; ++i) {
    with([i](auto& probes) -> auto& { return probes.sense_v[i]; });
  }
}
// What stands still until the last step.
template <class Do>
void each_slow(Do&& with) {
  for (double Probes::*const one : {&Probes::poa_wpm2, &Probes::cell_degc, &Probes::battery_degc, &Probes::soc_frac,
                                    &Probes::stage_degc, &Probes::inductor_a}) {
    with([one](auto& probes) -> auto& { return probes.*one; });
  }
}

// What a figure of a Sample is by itself, of those that move nothing else.
double Probes::*alone(std::size_t figure) {
  static constexpr std::array<double Probes::*, Transition::kShown> kOf{
      &Probes::input_v, nullptr,         &Probes::panel_a,  &Probes::charge_a,
      &Probes::load_a,  &Probes::load_v, &Probes::gassing_a};
  return figure == Transition::kOfStep ? &Probes::panel_v : kOf[figure];
}

}  // namespace

static_assert(Transition::kMostSteps + Remainder::kMostSteps <= Stretch::kMostSteps);

RememberedStretch::RememberedStretch(const CircuitSystem& system, const CircuitSystem::Vector& y,
                                     const TransitionMemory::Interval& known, const Ends& ends)
    : system_{system},
      known_{known},
      ends_{ends},
      inner_v_{system.parts().battery.inner_v(CircuitSystem::battery_of(y))},
      steps_{known.transition->steps() + known.remainder->steps()},
      lowest_{ends.at_edge},
      highest_{ends.at_edge},
      mean_{ends.at_edge} {
  const Transition& first = *known.transition;
  std::array<Figure, Transition::kMostTurns> values;
  first.values_at_turns(*known.away, values);
  for (const Transition::Turning* each = first.turning_begin(); each != first.turning_end(); ++each) {
    double low = std::numeric_limits<double>::infinity();
    double high = -low;
    const bool panel = each->figure == Transition::kOfStep;
    for (std::size_t i = each->first; i < each->end; i += panel ? 2 : 1) {
      const double value = panel ? values[i] + values[i + 1] * system.panel_cable_ohm() : values[i];
      low = std::min(low, value);
      high = std::max(high, value);
    }
    widen(each->figure, low);
    widen(each->figure, high);
  }
  each_fast([this](auto of) { of(mean_) = 0.0; });
  const double whole_s = in_seconds(end_of(steps_ - 1) - ends.edge);
  Probes before = at_end_of(first.steps() - 1);
  widen(before);
  add_to_mean(shown(first.mean(*known.away)), in_seconds(first.length()) / whole_s);
  Nanos from = ends.edge + first.length();
  for (std::size_t i = first.steps(); i < steps_; ++i) {
    const Probes at = at_end_of(i);
    widen(at);
    const double half = 0.5 * in_seconds(end_of(i) - from) / whole_s;
    add_to_mean(before, half);
    add_to_mean(at, half);
    before = at;
    from = end_of(i);
  }
  const Nanos last_began = end_of(steps_ - 2);
  const double half = 0.5 * in_seconds(end_of(steps_ - 1) - last_began) / whole_s;
  each_slow([&](auto of) {
    const double moved = of(ends.at_end) - of(ends.at_edge);
    of(mean_) += half * moved;
    (moved < 0.0 ? of(lowest_) : of(highest_)) += moved;
  });
}

Nanos RememberedStretch::end_of(std::size_t step) const {
  const Transition& first = *known_.transition;
  return ends_.edge + (step < first.steps()
                           ? first.end_of(step)
                           : first.length() + known_.remainder->end_of(step - first.steps(), known_.span));
}

Probes RememberedStretch::at_end_of(std::size_t step) const {
  const Transition& first = *known_.transition;
  if (step + 1 == steps_) return ends_.at_end;
  return shown(step < first.steps() ? first.sample(step, *known_.away)
                                    : known_.remainder->sample(step - first.steps(), *known_.rest_away, known_.span));
}

Probes RememberedStretch::shown(const Transition::Sample& sample) const {
  Probes p = ends_.at_edge;
  show(sample, system_, system_.battery_s() * (sample.bus_v - inner_v_), p);
  for (std::size_t i = 0; i < system_.params().sense.size(); ++i) {
    p.sense_v[i] = clamped_pin_v(sample.pin_v[i], ends_.supply_v);
  }
  return p;
}

void RememberedStretch::widen(const Probes& at) {
  each_fast([&](auto of) {
    of(lowest_) = std::min(of(lowest_), of(at));
    of(highest_) = std::max(of(highest_), of(at));
  });
}

// By one figure of a Sample, and what goes with it.
void RememberedStretch::widen(std::size_t figure, double value) {
  const auto by = [this](auto of, double at) {
    of(lowest_) = std::min(of(lowest_), at);
    of(highest_) = std::max(of(highest_), at);
  };
  if (figure >= Transition::kShown && figure < Transition::kOfStep) {
    const std::size_t pin = figure - Transition::kShown;
    by([pin](Probes& p) -> double& { return p.sense_v[pin]; }, clamped_pin_v(value, ends_.supply_v));
  } else if (figure == Transition::kBusShown) {
    const double battery_a = system_.battery_s() * (value - inner_v_);
    by([](Probes& p) -> double& { return p.bus_v; }, value);
    by([](Probes& p) -> double& { return p.battery_a; }, battery_a);
    by([](Probes& p) -> double& { return p.terminal_v; }, value - system_.cable_ohm() * battery_a);
  } else {
    double Probes::*const one = alone(figure);
    by([one](Probes& p) -> double& { return p.*one; }, value);
  }
}

void RememberedStretch::add_to_mean(const Probes& at, double share_frac) {
  each_fast([&](auto of) { of(mean_) += share_frac * of(at); });
}

}  // namespace dawnrig::plant
