#include "plant/circuit.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "plant/circuit_system.h"
#include "plant/core/range_check.h"
#include "plant/core/rodas3.h"
#include "plant/gate_stepper.h"

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
constexpr Tolerances kOfRodas3{5e-5, 5e-3, 1e-4, 1e-5, 1e-4};
constexpr Tolerances kOfGateStepper{3e-4, 2e-2, 1e-3, 1e-5, 3e-4};
constexpr double kSocTolerance = 1e-7;
constexpr double kTemperatureToleranceK = 1e-3;

constexpr double kFirstStepS = 1e-6;
constexpr double kLongestStepS = 600.0;
constexpr double kNanosecond = 1e-9;
// Beyond this much bend a predicted step is hopeless and is shortened before it costs an evaluation.
constexpr double kHopelessBend = 400.0;
constexpr double kHopefulBend = 40.0;

Vector inverse_tolerances(const Tolerances& of, const CircuitParams& params, const CircuitSystem& system) {
  Vector inverse{};  // zero: not judged
  const double ratio = params.stage.output_capacitance_f / params.stage.input_capacitance_f;
  inverse[Slot::kInput] = 1.0 / std::clamp(of.bus_v * ratio, of.bus_v, of.most_input_v);
  inverse[Slot::kBus] = 1.0 / of.bus_v;
  inverse[Slot::kFast] = inverse[Slot::kSlow] = 1.0 / of.polarisation_v;
  inverse[Slot::kSoc] = 1.0 / kSocTolerance;
  inverse[Slot::kBatteryDegc] = inverse[Slot::kCellDegc] = 1.0 / kTemperatureToleranceK;
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) inverse[i] = 1.0 / of.filament;
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) inverse[i] = 1.0 / of.pin_v;
  return inverse;
}

double poa_at(const Conditions::Sun& sun, Nanos now) {
  return std::max(0.0, sun.poa_wpm2 + sun.slope_wpm2_per_s * in_seconds(now - sun.since));
}

// Until when the sun keeps the slope it has just after `now`: a ramp bends where it meets darkness.
Nanos sun_straight_until(const Conditions::Sun& sun, Nanos now, Nanos to, double& slope) {
  slope = sun.slope_wpm2_per_s;
  if (slope == 0.0) return to;
  const double dark_s = -sun.poa_wpm2 / slope;
  if (std::abs(dark_s) > 1e9) {  // further than any run; and not representable
    if (poa_at(sun, now) <= 0.0) slope = 0.0;
    return to;
  }
  const Nanos dark = sun.since + from_seconds(dark_s);
  const bool before = now < dark;
  if (before == (slope > 0.0)) slope = 0.0;
  return before ? std::min(to, dark) : to;
}

Vector gather(const CircuitState& state, const Conditions& conditions, const CircuitSystem& system) {
  Vector y{};
  y[Slot::kInput] = state.input_v;
  y[Slot::kBus] = state.bus_v;
  y[Slot::kFast] = state.battery.v_fast_v;
  y[Slot::kSlow] = state.battery.v_slow_v;
  y[Slot::kSoc] = state.battery.soc_frac;
  y[Slot::kBatteryDegc] =
      conditions.battery_held_at_temperature ? conditions.battery_held_degc : state.battery.battery_degc;
  y[Slot::kCellDegc] = state.cell_degc;
  y[Slot::kPoa] = poa_at(conditions.sun, state.now);
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) {
    y[i] = state.load_state[i - Slot::kFirstLoad];
  }
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) {
    y[i] = state.sense_v[i - system.first_sense()];
  }
  return y;
}

// The net charge of each step, dealt out to its two gross accounts.
struct GrossCharge {
  double charge_ah{0.0};
  double discharge_ah{0.0};

  // Within a step that turns the current around, the current is the parabola of its ends and its mean.
  void add(double net_ah, double from_a, double to_a, double step_s) {
    const double before_ah = (from_a < 0.0) == (to_a < 0.0) ? 0.0 : before_turn_ah(net_ah, from_a, to_a, step_s);
    for (const double part_ah : {before_ah, net_ah - before_ah}) {
      (part_ah > 0.0 ? charge_ah : discharge_ah) += std::abs(part_ah);
    }
  }

 private:
  static double before_turn_ah(double net_ah, double from_a, double to_a, double step_s) {
    const double step_h = step_s / 3600.0;
    const double slope_a = 6.0 * net_ah / step_h - 4.0 * from_a - 2.0 * to_a;
    const double curve_a = to_a - from_a - slope_a;
    double low = 0.0;
    double high = 1.0;
    constexpr int kHalvings = 40;
    for (int i = 0; i < kHalvings; ++i) {
      const double middle = 0.5 * (low + high);
      const double a = from_a + middle * (slope_a + middle * curve_a);
      ((a < 0.0) == (from_a < 0.0) ? low : high) = middle;
    }
    return step_h * low * (from_a + low * (0.5 * slope_a + low * curve_a / 3.0));
  }
};

// Books in y count from the start of the advance, so that small amounts are not lost against large ones.
void scatter(const Vector& y, const CircuitSystem& system, const Books& since, const GrossCharge& gross,
             CircuitState& state) {
  state.input_v = y[Slot::kInput];
  state.bus_v = y[Slot::kBus];
  state.battery.v_fast_v = y[Slot::kFast];
  state.battery.v_slow_v = y[Slot::kSlow];
  state.battery.soc_frac = std::clamp(y[Slot::kSoc], 0.0, 1.0);
  state.battery.battery_degc = y[Slot::kBatteryDegc];
  state.cell_degc = y[Slot::kCellDegc];
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) {
    state.load_state[i - Slot::kFirstLoad] = y[i];
  }
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) {
    state.sense_v[i - system.first_sense()] = y[i];
  }
  state.books.panel_j = since.panel_j + y[Slot::kPanelJ];
  state.books.wiring_j = since.wiring_j + y[Slot::kWiringJ];
  state.books.stage_j = since.stage_j + y[Slot::kStageJ];
  state.books.battery_in_j = since.battery_in_j + y[Slot::kBatteryJ];
  state.books.loads_j = since.loads_j + y[Slot::kLoadsJ];
  state.books.sense_j = since.sense_j + y[Slot::kSenseJ];
  state.books.battery_charge_ah = since.battery_charge_ah + gross.charge_ah;
  state.books.battery_discharge_ah = since.battery_discharge_ah + gross.discharge_ah;
  state.books.gassing_ah = since.gassing_ah + y[Slot::kGassingAh];
}

// One advance: the step-size control around Rodas3.
class Stepper {
 public:
  Stepper(CircuitSystem& system, const Vector& inverse_tolerance, double hint_s)
      : system_{system}, inverse_tolerance_{inverse_tolerance}, proposed_s_{hint_s > 0.0 ? hint_s : kFirstStepS} {}

  // Takes one step from y of at most `left`; moves y, returns the length. Zero: failed, see status().
  Nanos step(Vector& y, Nanos left) {
    if (!method_.begin(system_, y)) {
      status_ = finite(y) ? AdvanceStatus::kNotConverged : AdvanceStatus::kNotANumber;
      return Nanos{0};
    }
    system_.mark();
    for (;;) {
      const Nanos length = choose(left);
      const double h = in_seconds(length);
      const bool smallest = length.count() <= 1;
      system_.linearise(2.0 / h);
      method_.predict(system_, h);
      if (!smallest) {
        const double bend = worst_bend();
        if (bend > kHopelessBend) {  // false for not-a-number, which the rest of the step finds
          proposed_s_ = h * std::clamp(std::sqrt(kHopefulBend / bend), 0.005, 0.5);
          continue;
        }
      }
      const bool converged = method_.finish(system_, y, h, next_, error_);
      const double miss = converged ? worst_error() : std::nan("");
      const bool good = converged && std::isfinite(miss) && finite(next_);
      if (good && (miss <= 1.0 || smallest)) {
        const double grown = h * growth(miss);
        // A step cut short by the end of the interval says nothing against the longer one proposed before.
        proposed_s_ = std::min(cut_ ? std::max(proposed_s_, grown) : grown, kLongestStepS);
        y = next_;
        return length;
      }
      if (smallest) {
        status_ = converged || !finite(next_) ? AdvanceStatus::kNotANumber : AdvanceStatus::kNotConverged;
        return Nanos{0};
      }
      proposed_s_ = good ? h * growth(miss) : 0.1 * h;
    }
  }

  [[nodiscard]] AdvanceStatus status() const { return status_; }
  [[nodiscard]] double proposed_s() const { return proposed_s_; }

 private:
  // The proposed step in whole nanoseconds; two equal ones rather than a full and a tiny one at the end.
  Nanos choose(Nanos left) {
    const double left_s = in_seconds(left);
    cut_ = proposed_s_ >= left_s;
    if (cut_) return left;
    if (proposed_s_ > 0.6 * left_s) return Nanos{(left.count() + 1) / 2};
    const auto whole = static_cast<std::int64_t>(proposed_s_ / kNanosecond);
    return Nanos{std::max<std::int64_t>(1, whole)};
  }

  static double growth(double miss) {
    if (miss < 1e-3) return 6.0;
    return std::clamp(0.85 / std::cbrt(miss), 0.1, 6.0);
  }

  [[nodiscard]] double worst_bend() const {
    double worst = 0.0;
    for (std::size_t i = 0; i < system_.size(); ++i) {
      worst = std::max(worst, std::abs(method_.bend(i)) * inverse_tolerance_[i]);
    }
    return worst;
  }

  [[nodiscard]] double worst_error() const {
    double worst = 0.0;
    for (std::size_t i = 0; i < system_.size(); ++i) {
      worst = std::max(worst, std::abs(error_[i]) * inverse_tolerance_[i]);
    }
    return worst;
  }

  [[nodiscard]] bool finite(const Vector& y) const {
    double sum = 0.0;  // not-a-number and infinity survive multiplication by zero
    for (std::size_t i = 0; i < system_.size(); ++i) sum += 0.0 * y[i];
    return sum == 0.0;
  }

  CircuitSystem& system_;
  const Vector inverse_tolerance_;
  Rodas3<CircuitSystem> method_;
  Vector next_{}, error_{};
  double proposed_s_;
  bool cut_{false};
  AdvanceStatus status_{AdvanceStatus::kOk};
};

double stored_j(const CircuitParams& params, const CircuitState& state) {
  return 0.5 * params.stage.input_capacitance_f * state.input_v * state.input_v +
         0.5 * params.stage.output_capacitance_f * state.bus_v * state.bus_v;
}

}  // namespace

void CircuitParams::check(Problems& problems) const {
  const auto part = [&](const std::string& prefix, const auto& params) {
    Problems inner;
    params.check(inner);
    add_under(problems, prefix, inner);
  };
  part("panel", panel);
  check_range(problems, "panel_cable_ohm", panel_cable_ohm, {1e-5, 10.0});
  check_range(problems, "battery_cable_ohm", battery_cable_ohm, {1e-5, 10.0});
  part("stage", stage);
  std::visit([&](const auto& chemistry) { part("battery", chemistry); }, battery);
  check_range(problems, "load_switch_ohm", load_switch_ohm, {0.0, 10.0, true});
  if (loads.size() > kMaxLoads) problems.add("loads", "are more than " + std::to_string(kMaxLoads));
  if (sense.size() > kMaxSense) problems.add("sense", "are more than " + std::to_string(kMaxSense));
  for (std::size_t i = 0; i < loads.size(); ++i) part("loads[" + std::to_string(i) + "]", loads[i]);
  for (std::size_t i = 0; i < sense.size(); ++i) part("sense[" + std::to_string(i) + "]", sense[i]);
}

CircuitParts::CircuitParts(const CircuitParams& checked)
    : panel{checked.panel, checked.panel_cable_ohm},
      branch{checked.stage},
      battery{std::get<LeadAcidParams>(checked.battery)} {
  sense.reserve(checked.sense.size());
  for (const SenseParams& p : checked.sense) sense.emplace_back(p);
}

Circuit::Circuit(const CircuitParams& checked) : params_{checked}, parts_{checked} {}

CircuitState Circuit::at_rest(const InitialConditions& initial, const Conditions& conditions) const {
  CircuitState state;
  state.battery.soc_frac = initial.soc_frac;
  state.battery.battery_degc =
      conditions.battery_held_at_temperature ? conditions.battery_held_degc : initial.battery_degc;
  state.cell_degc = parts_.panel.settled_degc(initial.ambient_degc, initial.poa_wpm2);
  state.bus_v = conditions.battery_connected ? parts_.battery.inner_v(state.battery) : 0.0;
  for (std::size_t i = 0; i < params_.loads.size(); ++i) {
    const bool on = conditions.loads[i].on && (params_.loads[i].unswitched || conditions.load_switch_on);
    state.load_state[i] = settled_load_state(params_.loads[i], on, state.bus_v);
  }
  // Implicit Euler with ever longer steps, all but the fast unknowns held: ends at the point of rest.
  CircuitSystem system{params_, parts_, conditions};
  system.freeze_slow();
  Vector y = gather(state, conditions, system);
  y[Slot::kPoa] = std::max(0.0, initial.poa_wpm2);
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

AdvanceStatus Circuit::advance(CircuitState& state, const Conditions& conditions, Nanos to,
                               StepObserver* observer) const {
  if (to <= state.now) return AdvanceStatus::kOk;
  CircuitSystem system{params_, parts_, conditions};
  const auto run = [&](auto&& stepper) {
    const Books since = state.books;
    GrossCharge gross;
    Vector y = gather(state, conditions, system);
    while (state.now < to) {
      double slope = 0.0;
      const Nanos straight = sun_straight_until(conditions.sun, state.now, to, slope);
      system.set_sun_slope(slope);
      y[Slot::kPoa] = poa_at(conditions.sun, state.now);
      const double from_a = system.battery_a(y);
      const double net_ah = y[Slot::kNetAh];
      const Nanos took = stepper.step(y, straight - state.now);
      if (took.count() == 0) break;
      gross.add(y[Slot::kNetAh] - net_ah, from_a, system.battery_a(y), in_seconds(took));
      state.now += took;
      if (observer != nullptr) {
        scatter(y, system, since, gross, state);
        state.step_hint_s = stepper.proposed_s();
        observer->on_step(state, conditions);
      }
    }
    scatter(y, system, since, gross, state);
    state.step_hint_s = stepper.proposed_s();
    return stepper.status();
  };
  if (GateStepper::suits(system, in_seconds(to - state.now))) {
    return run(GateStepper{system, inverse_tolerances(kOfGateStepper, params_, system), state.step_hint_s});
  }
  return run(Stepper{system, inverse_tolerances(kOfRodas3, params_, system), state.step_hint_s});
}

Probes Circuit::probe(const CircuitState& state, const Conditions& conditions) const {
  CircuitSystem system{params_, parts_, conditions};
  const Vector y = gather(state, conditions, system);
  Vector f{};
  Probes p;
  p.poa_wpm2 = y[Slot::kPoa];
  p.input_v = state.input_v;
  p.bus_v = state.bus_v;
  p.cell_degc = state.cell_degc;
  p.battery_degc = y[Slot::kBatteryDegc];
  p.soc_frac = state.battery.soc_frac;
  for (std::size_t i = 0; i < params_.sense.size(); ++i) {
    p.sense_v[i] = clamped_pin_v(state.sense_v[i], conditions.supply_v);
  }
  if (!system.rates(y, f)) {  // only a state that is not a number can do this; show it rather than hide it
    p.panel_v = p.panel_a = p.terminal_v = p.battery_a = p.load_v = p.load_a = p.gassing_a = std::nan("");
    return p;
  }
  const CircuitPoint& q = system.point();
  p.panel_a = q.panel.current_a;
  p.panel_v = conditions.panel_connected ? state.input_v + p.panel_a * params_.panel_cable_ohm
                                         : parts_.panel.open_circuit_v(y[Slot::kPoa], y[Slot::kCellDegc]);
  p.battery_a = q.battery_a;
  p.terminal_v = conditions.battery_connected
                     ? state.bus_v - q.battery_a * params_.battery_cable_ohm * conditions.battery_cable_scale
                     : q.battery.inner_v;
  p.load_v = q.load_v;
  p.load_a = q.load_a;
  p.gassing_a = q.battery.gassing_a;
  return p;
}

double Circuit::books_residual_j(const CircuitState& start, const CircuitState& end) const {
  const Books& a = start.books;
  const Books& b = end.books;
  return (b.panel_j - a.panel_j) - (b.wiring_j - a.wiring_j) - (b.stage_j - a.stage_j) -
         (b.battery_in_j - a.battery_in_j) - (b.loads_j - a.loads_j) - (b.sense_j - a.sense_j) -
         (stored_j(params_, end) - stored_j(params_, start));
}

}  // namespace dawnrig::plant
