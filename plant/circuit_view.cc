#include "plant/circuit_view.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

double before_turn_ah(double net_ah, double from_a, double to_a, double step_s) {
  const double step_h = step_s / 3600.0;
  const double slope_a = 6.0 * net_ah / step_h - 4.0 * from_a - 2.0 * to_a;
  const double curve_a = to_a - from_a - slope_a;
  // Of from + slope x + curve x^2 = 0 the root in the step, from the sum that loses no digits.
  const double root = std::sqrt(std::max(0.0, slope_a * slope_a - 4.0 * curve_a * from_a));
  const double q = -0.5 * (slope_a + std::copysign(root, slope_a));
  const double one = from_a / q;
  const double turn = one >= 0.0 && one <= 1.0 ? one : std::clamp(q / curve_a, 0.0, 1.0);
  return step_h * turn * (from_a + turn * (0.5 * slope_a + turn * curve_a / 3.0));
}

}  // namespace

void GrossCharge::add_turning(double net_ah, double from_a, double to_a, double step_s) {
  const double before_ah = before_turn_ah(net_ah, from_a, to_a, step_s);
  add_to_one(before_ah);
  add_to_one(net_ah - before_ah);
}

double stage_degc(const StageParams& stage, const Conditions& conditions, double followed_degc) {
  if (conditions.stage_held_at_temperature) return conditions.stage_held_degc;
  return stage.heat_sink ? followed_degc : conditions.ambient_degc;
}

Nanos sun_straight_until(const Conditions::Sun& sun, Nanos now, Nanos to, double& slope_wpm2_per_s) {
  slope_wpm2_per_s = sun.slope_wpm2_per_s;
  if (sun.slope_wpm2_per_s == 0.0) return to;
  const double dark_s = -sun.poa_wpm2 / sun.slope_wpm2_per_s;
  if (std::abs(dark_s) > 1e9) {  // further than any run; and not representable
    if (sun_wpm2(sun, now) <= 0.0) slope_wpm2_per_s = 0.0;
    return to;
  }
  const Nanos dark = sun.since + from_seconds(dark_s);
  const bool before = now < dark;
  if (before == (sun.slope_wpm2_per_s > 0.0)) slope_wpm2_per_s = 0.0;
  return before ? std::min(to, dark) : to;
}

bool pins_are_free(const CircuitSystem& system, const Vector& y, double supply_v) {
  constexpr double kNearProtectionV = 0.1;  // a conversion pulls a pin hardly further
  return std::all_of(y.begin() + system.first_sense(), y.begin() + system.size(), [&](double v) {
    return v > -kPinBeyondRailV + kNearProtectionV && v < supply_v + kPinBeyondRailV - kNearProtectionV;
  });
}

Vector gather(const CircuitState& state, const Conditions& conditions, const CircuitSystem& system) {
  Vector y{};
  y[Slot::kInput] = state.input_v;
  y[Slot::kBus] = state.bus_v;
  y[Slot::kInductor] = state.inductor_a;
  y[Slot::kFast] = state.battery.v_fast_v;
  y[Slot::kSlow] = state.battery.v_slow_v;
  y[Slot::kSoc] = state.battery.soc_frac;
  y[Slot::kHysteresis] = state.battery.hysteresis_frac;
  y[Slot::kBatteryDegc] =
      conditions.battery_held_at_temperature ? conditions.battery_held_degc : state.battery.battery_degc;
  y[Slot::kCellDegc] = state.cell_degc;
  y[Slot::kPoa] = sun_wpm2(conditions.sun, state.now);
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) {
    y[i] = state.load_state[i - Slot::kFirstLoad];
  }
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) {
    y[i] = state.sense_v[i - system.first_sense()];
  }
  return y;
}

Books books_at(const Vector& y, const Books& since, const GrossCharge& gross) {
  return {.panel_j = since.panel_j + y[Slot::kPanelJ],
          .wiring_j = since.wiring_j + y[Slot::kWiringJ],
          .stage_j = since.stage_j + y[Slot::kStageJ],
          .battery_in_j = since.battery_in_j + y[Slot::kBatteryJ],
          .loads_j = since.loads_j + y[Slot::kLoadsJ],
          .sense_j = since.sense_j + y[Slot::kSenseJ],
          .battery_charge_ah = since.battery_charge_ah + gross.charge_ah,
          .battery_discharge_ah = since.battery_discharge_ah + gross.discharge_ah,
          .gassing_ah = since.gassing_ah + y[Slot::kGassingAh],
          .unstored_ah = since.unstored_ah + y[Slot::kUnstoredAh]};
}

void scatter(const Vector& y, const CircuitSystem& system, const Books& since, const GrossCharge& gross,
             CircuitState& state) {
  state.input_v = y[Slot::kInput];
  state.bus_v = y[Slot::kBus];
  state.inductor_a = y[Slot::kInductor];
  state.battery.v_fast_v = y[Slot::kFast];
  state.battery.v_slow_v = y[Slot::kSlow];
  state.battery.soc_frac = std::clamp(y[Slot::kSoc], 0.0, 1.0);
  state.battery.battery_degc = y[Slot::kBatteryDegc];
  state.battery.hysteresis_frac = y[Slot::kHysteresis];
  state.cell_degc = y[Slot::kCellDegc];
  for (std::size_t i = Slot::kFirstLoad; i < system.first_sense(); ++i) {
    state.load_state[i - Slot::kFirstLoad] = y[i];
  }
  for (std::size_t i = system.first_sense(); i < system.size(); ++i) {
    state.sense_v[i - system.first_sense()] = y[i];
  }
  state.books = books_at(y, since, gross);
}

namespace {

// What needs no evaluation.
Probes standing_still(const CircuitState& state, const Conditions& conditions, const Vector& y,
                      const CircuitSystem& system) {
  Probes p;
  p.battery_open = state.protection.open;
  p.poa_wpm2 = y[Slot::kPoa];
  p.input_v = state.input_v;
  p.bus_v = state.bus_v;
  p.inductor_a = state.inductor_a;
  p.stage_degc = stage_degc(system.params().stage, conditions, state.stage_degc);
  p.cell_degc = state.cell_degc;
  p.battery_degc = y[Slot::kBatteryDegc];
  p.soc_frac = state.battery.soc_frac;
  for (std::size_t i = 0; i < system.params().sense.size(); ++i) {
    p.sense_v[i] = clamped_pin_v(state.sense_v[i], conditions.supply_v);
  }
  return p;
}

}  // namespace

Probes seen(const CircuitState& state, const Conditions& conditions, const Vector& y, const CircuitSystem& system,
            bool evaluated) {
  Probes p = standing_still(state, conditions, y, system);
  if (!evaluated) {
    p.panel_v = p.panel_a = p.charge_a = p.terminal_v = p.battery_a = std::nan("");
    p.load_v = p.load_a = p.switched_a = p.gassing_a = std::nan("");
    return p;
  }
  const CircuitPoint& q = system.point();
  p.charge_a = system.charge_a();
  p.panel_a = q.panel.current_a;
  const auto open_v = [&] {
    return system.parts().panel.open_circuit_v(y[Slot::kPoa], y[Slot::kCellDegc], system.panel_scratch());
  };
  p.panel_v = system.panel_connected() ? state.input_v + p.panel_a * system.panel_cable_ohm() : open_v();
  p.battery_a = q.battery_a;
  p.terminal_v = system.terminal_v(y, q.battery_a);
  p.load_v = q.load_v;
  p.load_a = q.load_a;
  p.switched_a = q.switched_a;
  p.gassing_a = q.battery.gassing_a;
  return p;
}

Probes seen(const CircuitState& state, const Conditions& conditions, const Vector& y, const CircuitSystem& system,
            const Transition::Sample& sample, double battery_a) {
  Probes p = standing_still(state, conditions, y, system);
  show(sample, system, battery_a, p);
  return p;
}

void show(const Transition::Sample& sample, const CircuitSystem& system, double battery_a, Probes& p) {
  p.input_v = sample.input_v;
  p.bus_v = sample.bus_v;
  p.charge_a = sample.charge_a;
  p.panel_a = sample.panel_a;
  p.panel_v = sample.input_v + sample.panel_a * system.panel_cable_ohm();
  p.battery_a = battery_a;
  p.terminal_v = sample.bus_v - system.cable_ohm() * battery_a;  // only places with a battery are remembered
  p.load_v = sample.load_v;
  p.load_a = sample.load_a;
  p.switched_a = std::nan("");
  p.gassing_a = sample.gassing_a;
}

}  // namespace dawnrig::plant
