#include "plant/remembered_stretch.h"

#include <algorithm>
#include <cmath>

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

}  // namespace

RememberedStretch::RememberedStretch(const CircuitSystem& system, const CircuitSystem::Vector& y,
                                     const TransitionMemory::Interval& known, const Ends& ends)
    : system_{system},
      known_{known},
      ends_{ends},
      inner_v_{system.parts().battery.inner_v(CircuitSystem::battery_of(y))},
      steps_{known.transition->steps() + (known.remainder != nullptr ? known.remainder->steps() : 0)},
      lowest_{ends.at_edge},
      highest_{ends.at_edge},
      mean_{ends.at_edge} {
  const Transition& first = *known.transition;
  for (std::uint32_t turns = first.turns(); turns != 0; turns &= turns - 1) {
    widen(shown(first.sample(static_cast<std::size_t>(__builtin_ctz(turns)), *known.away)));
  }
  each_fast([this](auto of) { of(mean_) = 0.0; });
  const double whole_s = in_seconds(end_of(steps_ - 1) - ends.edge);
  Probes before = steps_ > first.steps() ? at_end_of(first.steps() - 1) : ends.at_end;
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
  const Nanos last_began = steps_ > 1 ? end_of(steps_ - 2) : ends.edge;
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

void RememberedStretch::add_to_mean(const Probes& at, double share) {
  each_fast([&](auto of) { of(mean_) += share * of(at); });
}

}  // namespace dawnrig::plant
