#include "plant/remembered_stretch.h"

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace dawnrig::plant {

// What moves fast enough to be known of every step, in a row.
struct RememberedStretch::Fast {
  enum : std::size_t {
    kPanelV,
    kPanelA,
    kInputV,
    kBusV,
    kTerminalV,
    kBatteryA,
    kChargeA,
    kLoadV,
    kLoadA,
    kGassingA,
    kFirstPin,
    kCount = kFirstPin + kMaxSense
  };
  using Row = Eigen::Array<double, kCount, 1>;
  Row of;

  double& operator[](std::size_t k) { return of[static_cast<Eigen::Index>(k)]; }
  double operator[](std::size_t k) const { return of[static_cast<Eigen::Index>(k)]; }

  static Fast from(const Probes& p) {
    Fast fast;
    fast.exchange(p, [](double& figure, double probe) { figure = probe; });
    return fast;
  }
  void put(Probes& p) {
    exchange(p, [](double figure, double& probe) { probe = figure; });
  }

 private:
  template <class SomeProbes, class Do>
  void exchange(SomeProbes& p, Do&& with) {
    with((*this)[kPanelV], p.panel_v);
    with((*this)[kPanelA], p.panel_a);
    with((*this)[kInputV], p.input_v);
    with((*this)[kBusV], p.bus_v);
    with((*this)[kTerminalV], p.terminal_v);
    with((*this)[kBatteryA], p.battery_a);
    with((*this)[kChargeA], p.charge_a);
    with((*this)[kLoadV], p.load_v);
    with((*this)[kLoadA], p.load_a);
    with((*this)[kGassingA], p.gassing_a);
    for (std::size_t i = 0; i < kMaxSense; ++i) with((*this)[kFirstPin + i], p.sense_v[i]);
  }
};

namespace {

// What stands still until the last step.
template <class Do>
void each_slow(Do&& with) {
  for (double Probes::*const one : {&Probes::poa_wpm2, &Probes::cell_degc, &Probes::battery_degc, &Probes::soc_frac,
                                    &Probes::stage_degc, &Probes::inductor_a}) {
    with([one](auto& probes) -> auto& { return probes.*one; });
  }
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
  const Fast edge = Fast::from(ends.at_edge);
  Fast lowest = edge;
  Fast highest = edge;
  Fast before = shown(first.sample(first.steps() - 1, *known.away));
  widen_by_turns(edge, before, lowest, highest);
  const auto widen = [&](const Fast& at) {
    lowest.of = lowest.of.min(at.of);
    highest.of = highest.of.max(at.of);
  };
  const double whole_s = in_seconds(end_of(steps_ - 1) - ends.edge);
  widen(before);
  Fast mean;
  mean.of = 0.0 + in_seconds(first.length()) / whole_s * shown(first.mean(*known.away)).of;
  Nanos from = ends.edge + first.length();
  for (std::size_t i = first.steps(); i < steps_; ++i) {
    const Fast at = i + 1 == steps_ ? Fast::from(ends.at_end) : shown(sample(i));
    widen(at);
    const double half = 0.5 * in_seconds(end_of(i) - from) / whole_s;
    mean.of += half * before.of;
    mean.of += half * at.of;
    before = at;
    from = end_of(i);
  }
  lowest.put(lowest_);
  highest.put(highest_);
  mean.put(mean_);
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
  if (step + 1 == steps_) return ends_.at_end;
  Probes p = ends_.at_edge;
  shown(sample(step)).put(p);
  p.switched_a = std::nan("");
  return p;
}

Transition::Sample RememberedStretch::sample(std::size_t step) const {
  const Transition& first = *known_.transition;
  return step < first.steps() ? first.sample(step, *known_.away)
                              : known_.remainder->sample(step - first.steps(), *known_.rest_away, known_.span);
}

RememberedStretch::Fast RememberedStretch::shown(const Transition::Sample& sample) const {
  Fast fast;
  fast[Fast::kPanelV] = sample.input_v + sample.panel_a * system_.panel_cable_ohm();
  fast[Fast::kPanelA] = sample.panel_a;
  fast[Fast::kInputV] = sample.input_v;
  put_bus(sample.bus_v, fast);
  fast[Fast::kChargeA] = sample.charge_a;
  fast[Fast::kLoadV] = sample.load_v;
  fast[Fast::kLoadA] = sample.load_a;
  fast[Fast::kGassingA] = sample.gassing_a;
  const std::size_t pins = system_.params().sense.size();
  for (std::size_t i = 0; i < kMaxSense; ++i) {
    fast[Fast::kFirstPin + i] = i < pins ? clamped_pin_v(sample.pin_v[i], ends_.supply_v) : ends_.at_edge.sense_v[i];
  }
  return fast;
}

// And what goes with it.
void RememberedStretch::put_bus(double bus_v, Fast& fast) const {
  const double battery_a = system_.battery_s() * (bus_v - inner_v_);
  fast[Fast::kBusV] = bus_v;
  fast[Fast::kBatteryA] = battery_a;
  fast[Fast::kTerminalV] = bus_v - system_.cable_ohm() * battery_a;
}

// Within a transition from edge to last.
void RememberedStretch::widen_by_turns(const Fast& edge, const Fast& last, Fast& lowest, Fast& highest) const {
  // Which of them a figure of a Sample is.
  static constexpr std::array<std::size_t, Transition::kShown> kOf{
      Fast::kInputV, Fast::kBusV, Fast::kPanelA, Fast::kChargeA, Fast::kLoadA, Fast::kLoadV, Fast::kGassingA};
  const auto widen = [&](std::size_t k, double low, double high) {
    lowest[k] = std::min(lowest[k], low);
    highest[k] = std::max(highest[k], high);
  };
  const Transition& first = *known_.transition;
  Transition::AtTurns values;
  for (const Transition::Turning* each = first.turning_begin(); each != first.turning_end(); ++each) {
    const std::size_t figure = each->figure;
    const std::size_t pin = Fast::kFirstPin + figure - Transition::kShown;
    if (each->is_pin() && std::abs(last[pin] - edge[pin]) > each->steady_beyond) continue;
    first.ask_for(*each, *known_.away, values);
    const double* value = values.of.data() + each->first;
    const double* const end = values.of.data() + each->end;
    double low = std::numeric_limits<double>::infinity();
    double high = -low;
    const auto take = [&](double one) {
      low = std::min(low, one);
      high = std::max(high, one);
    };
    if (figure == Transition::kOfStep) {
      for (; value != end; value += 2) take(value[0] + value[1] * system_.panel_cable_ohm());
      widen(Fast::kPanelV, low, high);
      continue;
    }
    for (; value != end; ++value) take(*value);
    if (each->is_pin()) {
      widen(pin, clamped_pin_v(low, ends_.supply_v), clamped_pin_v(high, ends_.supply_v));
    } else if (figure == Transition::kBusShown) {
      Fast at_low;
      Fast at_high;
      put_bus(low, at_low);
      put_bus(high, at_high);
      for (const std::size_t k : {Fast::kBusV, Fast::kBatteryA, Fast::kTerminalV}) {
        widen(k, std::min(at_low[k], at_high[k]), std::max(at_low[k], at_high[k]));
      }
    } else {
      widen(kOf[figure], low, high);
    }
  }
}

}  // namespace dawnrig::plant
