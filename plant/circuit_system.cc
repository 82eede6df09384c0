#include "plant/circuit_system.h"

#include <cmath>

namespace dawnrig::plant {
namespace {

constexpr double kQuiescentDropoutV = 1.0;
constexpr double kPerHour = 1.0 / 3600.0;

}  // namespace

CircuitSystem::CircuitSystem(const CircuitParams& params, const CircuitParts& parts, const Conditions& conditions)
    : params_{params},
      parts_{parts},
      conditions_{conditions},
      size_{Slot::kFirstLoad + params.loads.size() + params.sense.size()},
      first_sense_{Slot::kFirstLoad + params.loads.size()},
      load_count_{params.loads.size()},
      sense_count_{params.sense.size()},
      conducting_{conditions.switch_fault == SwitchFaultKind::kStuckClosed ||
                  (conditions.gate_on && conditions.switch_fault != SwitchFaultKind::kStuckOpen)},
      series_ohm_{parts.battery.params().r_series_ohm * conditions.battery_resistance_scale},
      cable_ohm_{params.battery_cable_ohm * conditions.battery_cable_scale},
      battery_s_{conditions.battery_connected ? 1.0 / (series_ohm_ + cable_ohm_) : 0.0},
      per_input_f_{1.0 / params.stage.input_capacitance_f},
      per_output_f_{1.0 / params.stage.output_capacitance_f} {
  for (std::size_t i = 0; i < load_count_; ++i) {
    if (!params.loads[i].unswitched && conditions.load_switch_on && conditions.loads[i].on) any_switched_ = true;
  }
  for (std::size_t i = 0; i < load_count_; ++i) {
    if (!conditions.loads[i].on && idle_when_off(params.loads[i])) continue;
    const bool behind = any_switched_ && !params.loads[i].unswitched;
    (behind ? behind_switch_ : on_bus_).add(i);
  }
}

void CircuitSystem::panel_and_branch(const Vector& y) {
  const double input_v = y[Slot::kInput];
  const double bus_v = y[Slot::kBus];
  now_.panel = conditions_.panel_connected ? parts_.panel.at(input_v, y[Slot::kPoa], y[Slot::kCellDegc], panel_scratch_)
                                           : PanelPoint{};
  now_.branch = conducting_ ? parts_.branch.at(input_v - bus_v, branch_scratch_) : BranchPoint{};
}

bool CircuitSystem::currents(const Vector& y) {
  panel_and_branch(y);
  now_.battery_a = battery_a(y);
  sense_currents(y);
  return load_currents(y);
}

double CircuitSystem::battery_degc_per_s(const LeadAcidPoint& q, double battery_degc) const {
  const LeadAcidParams& b = parts_.battery.params();
  return conditions_.battery_held_at_temperature
             ? 0.0
             : (q.heating_w - (battery_degc - conditions_.ambient_degc) / b.thermal_resistance_k_per_w) /
                   b.heat_capacity_j_per_k;
}

bool CircuitSystem::rates(const Vector& y, Vector& f) {
  y_ = y;
  if (!state_rates(y, f)) return false;
  book_rates(y, f);
  if (frozen_) {
    for (std::size_t i = Slot::kFast; i < Slot::kFirstLoad; ++i) f[i] = 0.0;
  }
  return true;
}

bool CircuitSystem::state_rates(const Vector& y, Vector& f) {
  if (!currents(y)) return false;
  const BatteryState battery{y[Slot::kSoc], y[Slot::kFast], y[Slot::kSlow], y[Slot::kBatteryDegc]};
  now_.battery = battery_at(battery, now_.battery_a);
  f[Slot::kInput] = input_per_s();
  f[Slot::kBus] = bus_per_s();
  f[Slot::kFast] = now_.battery.fast_per_s;
  f[Slot::kSlow] = now_.battery.slow_per_s;
  f[Slot::kSoc] = now_.battery.soc_per_s;
  f[Slot::kBatteryDegc] = battery_degc_per_s(now_.battery, battery.battery_degc);
  f[Slot::kCellDegc] = (parts_.panel.settled_degc(conditions_.ambient_degc, y[Slot::kPoa]) - y[Slot::kCellDegc]) /
                       SingleDiodePanel::kThermalLagS;
  f[Slot::kPoa] = sun_slope_wpm2_per_s_;
  for (std::size_t i = 0; i < load_count_; ++i) f[Slot::kFirstLoad + i] = now_.loads[i].state_per_s;
  for (std::size_t i = 0; i < sense_count_; ++i) f[first_sense_ + i] = now_.sense[i].pin_per_s;
  return true;
}

bool CircuitSystem::load_currents(const Vector& y) {
  const double bus_v = y[Slot::kBus];
  now_.quiescent = held_current(params_.stage.quiescent_a, kQuiescentDropoutV, bus_v);
  now_.load_a = now_.load_d_bus = 0.0;
  now_.load_v = conditions_.load_switch_on ? bus_v : 0.0;
  for (const std::size_t i : on_bus_) {
    const LoadParams& load = params_.loads[i];
    const Conditions::LoadSetting& setting = conditions_.loads[i];
    now_.loads[i] = load_at(load, setting.on && load.unswitched, setting.scale, bus_v, y[Slot::kFirstLoad + i]);
    now_.load_a += now_.loads[i].current_a;
    now_.load_d_bus += now_.loads[i].d_voltage;
  }
  return !any_switched_ || switched_loads(y);
}

double CircuitSystem::behind_switch_a(const Vector& y, double v, double& slope_a_per_v) {
  double a = 0.0;
  slope_a_per_v = 0.0;
  for (const std::size_t i : behind_switch_) {
    now_.loads[i] =
        load_at(params_.loads[i], conditions_.loads[i].on, conditions_.loads[i].scale, v, y[Slot::kFirstLoad + i]);
    a += now_.loads[i].current_a;
    slope_a_per_v += now_.loads[i].d_voltage;
  }
  return a;
}

// The voltage behind the load switch: v + Rsw I(v) = bus, by Newton from above within a shrinking bracket, so that of
// several roots (constant power behind a poor switch) the highest is found.
bool CircuitSystem::switched_loads(const Vector& y) {
  constexpr int kMostIterations = 60;
  constexpr double kCloseV = 1e-12;
  const double bus_v = y[Slot::kBus];
  const double ohm = params_.load_switch_ohm;
  if (follow_switched(y)) return true;
  double low = std::fmin(0.0, bus_v);
  double high = std::fmax(0.0, bus_v);
  double v = bus_v;
  double a = 0.0;
  double slope_a_per_v = 0.0;
  for (int iteration = 0;; ++iteration) {
    a = behind_switch_a(y, v, slope_a_per_v);
    const double miss = v + ohm * a - bus_v;
    if (std::abs(miss) <= kCloseV * (1.0 + std::abs(bus_v))) break;
    if (!(iteration < kMostIterations)) return false;
    (miss > 0.0 ? high : low) = v;
    const double next = v - miss / (1.0 + ohm * slope_a_per_v);
    v = next > low && next < high ? next : 0.5 * (low + high);
  }
  settle_switched(y, v, a, slope_a_per_v);
  return true;
}

// From the last root, where that is so near that one Newton step lands on the new one to the last digits.
bool CircuitSystem::follow_switched(const Vector& y) {
  constexpr double kNearV = 1e-6;
  const double ohm = params_.load_switch_ohm;
  const double v = followed_v_ + now_.switched_share_frac * (y[Slot::kBus] - followed_bus_v_);
  if (!(std::abs(y[Slot::kBus] - followed_bus_v_) < 1.0)) return false;  // also while there is none
  double slope_a_per_v = 0.0;
  double a = behind_switch_a(y, v, slope_a_per_v);
  const double more_v = (y[Slot::kBus] - v - ohm * a) / (1.0 + ohm * slope_a_per_v);
  if (!(std::abs(more_v) < kNearV && 1.0 + ohm * slope_a_per_v > 0.0)) return false;
  for (const std::size_t i : behind_switch_) {
    LoadPoint& q = now_.loads[i];
    q.current_a += q.d_voltage * more_v;
    q.state_per_s += q.rate_d_voltage * more_v;
  }
  settle_switched(y, v + more_v, a + slope_a_per_v * more_v, slope_a_per_v);
  return true;
}

void CircuitSystem::settle_switched(const Vector& y, double v, double a, double slope_a_per_v) {
  followed_v_ = now_.load_v = v;
  followed_bus_v_ = y[Slot::kBus];
  now_.load_a += a;
  now_.switched_share_frac = 1.0 / (1.0 + params_.load_switch_ohm * slope_a_per_v);
  now_.load_d_bus += slope_a_per_v * now_.switched_share_frac;
}

void CircuitSystem::sense_currents(const Vector& y) {
  now_.from_input_a = now_.from_bus_a = now_.input_sense_d_input = now_.bus_sense_d_bus = 0.0;
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const SenseChannel& channel = parts_.sense[i];
    const bool input = channel.node() == SenseNode::kPanelInput;
    const SenseWorld world{input ? y[Slot::kInput] : y[Slot::kBus], y[Slot::kBatteryDegc], conditions_.ambient_degc,
                           conditions_.supply_v, conditions_.sense_faults[i]};
    now_.sense[i] = channel.at(y[first_sense_ + i], world, sense_scratch_[i]);
    (input ? now_.from_input_a : now_.from_bus_a) += now_.sense[i].node_a;
    (input ? now_.input_sense_d_input : now_.bus_sense_d_bus) += now_.sense[i].node_d_node;
  }
}

void CircuitSystem::book_rates(const Vector& y, Vector& f) const {
  const double panel_a = now_.panel.current_a;
  const double battery_a = now_.battery_a;
  const double panel_loss_w = params_.panel_cable_ohm * panel_a * panel_a;
  f[Slot::kPanelJ] = y[Slot::kInput] * panel_a + panel_loss_w;
  f[Slot::kWiringJ] = panel_loss_w + cable_ohm_ * battery_a * battery_a;
  f[Slot::kStageJ] = (y[Slot::kInput] - y[Slot::kBus]) * now_.branch.current_a;
  f[Slot::kBatteryJ] = (y[Slot::kBus] - cable_ohm_ * battery_a) * battery_a;
  f[Slot::kLoadsJ] = y[Slot::kBus] * (now_.load_a + now_.quiescent.current_a);
  f[Slot::kSenseJ] = y[Slot::kBus] * now_.from_bus_a + y[Slot::kInput] * now_.from_input_a;
  f[Slot::kNetAh] = battery_a * kPerHour;
  f[Slot::kGassingAh] = now_.battery.gassing_a * kPerHour;
}

void CircuitSystem::linearise(double s) {
  s_ = s;
  per_s_ = 1.0 / s;
  const CircuitPoint& q = marked_;
  linearise_battery(s);
  linearise_loads(s);
  linearise_sense(s);
  // Each node's row without its share in the branch, which couples the two: the determinant then loses no digits
  // however stiff the branch is.
  input_self_ = params_.stage.input_capacitance_f * s - q.panel.d_voltage;
  bus_self_ =
      params_.stage.output_capacitance_f * s + battery_s_ * (1.0 - emf_d_bus_) + load_d_bus_ + q.quiescent.d_voltage;
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const SensePoint& p = q.sense[i];
    const double g = p.node_d_node + p.node_d_pin * p.pin_d_node * pin_inverse_[i];
    (parts_.sense[i].node() == SenseNode::kPanelInput ? input_self_ : bus_self_) += g;
  }
  det_inverse_ = 1.0 / (input_self_ * bus_self_ + q.branch.d_voltage * (input_self_ + bus_self_));
}

// The battery's rows hang together through the main current alone: K_emf = P + emf_d_main K_main.
void CircuitSystem::linearise_battery(double s) {
  const LeadAcidPoint& q = marked_.battery;
  const LeadAcidParams& b = parts_.battery.params();
  if (frozen_) {
    cell_inverse_ = heat_inverse_ = fast_inverse_ = slow_inverse_ = soc_inverse_ = 0.0;
  } else {
    cell_inverse_ = 1.0 / (s + 1.0 / SingleDiodePanel::kThermalLagS);
    heat_inverse_ = conditions_.battery_held_at_temperature
                        ? per_s_
                        : 1.0 / (s + 1.0 / (b.thermal_resistance_k_per_w * b.heat_capacity_j_per_k));
    fast_inverse_ = 1.0 / (s + 1.0 / b.tau_fast_s);
    slow_inverse_ = 1.0 / (s + 1.0 / b.tau_slow_s);
    soc_inverse_ = 1.0 / (s - q.soc_d_soc);
  }
  slow_d_main_ = b.r_slow_ohm / b.tau_slow_s;
  const double soc_k_main = soc_inverse_ * q.soc_d_main;
  emf_d_main_ = fast_inverse_ * (q.fast_d_main + q.fast_d_soc * soc_k_main) + slow_inverse_ * slow_d_main_ +
                parts_.battery.ocv_per_soc_v() * soc_k_main;
  emf_inverse_ = 1.0 / (1.0 + emf_d_main_ * (battery_s_ + q.gassing_d_inner));
  emf_d_bus_ = emf_d_main_ * battery_s_ * emf_inverse_;
}

void CircuitSystem::linearise_loads(double s) {
  load_d_bus_ = 0.0;
  double behind_switch_a = 0.0;
  for (std::size_t i = 0; i < load_count_; ++i) {
    const LoadPoint& q = marked_.loads[i];
    lamp_inverse_[i] = 1.0 / (s - q.rate_d_state);
    const double g = q.d_voltage + q.d_state * q.rate_d_voltage * lamp_inverse_[i];
    (params_.loads[i].unswitched ? load_d_bus_ : behind_switch_a) += g;
  }
  switched_inverse_ = 1.0 / (1.0 + params_.load_switch_ohm * behind_switch_a);
  load_d_bus_ += behind_switch_a * switched_inverse_;
}

void CircuitSystem::linearise_sense(double s) {
  for (std::size_t i = 0; i < sense_count_; ++i) pin_inverse_[i] = 1.0 / (s - marked_.sense[i].pin_d_pin);
}

void CircuitSystem::solve(const Vector& rhs, Vector& k) const {
  const CircuitPoint& q = marked_;
  const double poa_k = frozen_ ? 0.0 : rhs[Slot::kPoa] * per_s_;
  const bool lit = marked_y_[Slot::kPoa] > 0.0 || sun_slope_wpm2_per_s_ > 0.0;
  const double warming = lit ? parts_.panel.warming_k_per_wpm2() / SingleDiodePanel::kThermalLagS : 0.0;
  const double cell_k = cell_inverse_ * (rhs[Slot::kCellDegc] + warming * poa_k);
  const double heat_k = heat_inverse_ * rhs[Slot::kBatteryDegc];

  // Battery: what its electromotive force does of itself.
  const double ocv_slope = parts_.battery.ocv_per_soc_v();
  const double soc_own = soc_inverse_ * rhs[Slot::kSoc];
  const double fast_own = fast_inverse_ * (rhs[Slot::kFast] + q.battery.fast_d_soc * soc_own);
  const double slow_own = slow_inverse_ * rhs[Slot::kSlow];
  const double gassing_heat = q.battery.gassing_d_degc * heat_k;
  const double emf_own =
      (fast_own + slow_own + ocv_slope * soc_own + parts_.battery.ocv_per_k_v() * heat_k - emf_d_main_ * gassing_heat) *
      emf_inverse_;

  // Loads: unswitched lamps and those behind the switch.
  double load_own = 0.0;
  double switched_own = 0.0;
  for (std::size_t i = 0; i < load_count_; ++i) {
    const double own = q.loads[i].d_state * lamp_inverse_[i] * rhs[Slot::kFirstLoad + i];
    (params_.loads[i].unswitched ? load_own : switched_own) += own;
  }
  switched_own *= switched_inverse_;
  load_own += switched_own;

  double input_r = params_.stage.input_capacitance_f * rhs[Slot::kInput] + q.panel.d_degc * cell_k +
                   (lit ? q.panel.d_poa * poa_k : 0.0);
  double bus_r = params_.stage.output_capacitance_f * rhs[Slot::kBus] + battery_s_ * emf_own - load_own;
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const double own = q.sense[i].node_d_pin * pin_inverse_[i] * rhs[first_sense_ + i];
    (parts_.sense[i].node() == SenseNode::kPanelInput ? input_r : bus_r) -= own;
  }

  const double d = q.branch.d_voltage;
  const double input_k = ((bus_self_ + d) * input_r + d * bus_r) * det_inverse_;
  const double bus_k = ((input_self_ + d) * bus_r + d * input_r) * det_inverse_;
  const double emf_k = emf_own + emf_d_bus_ * bus_k;
  const double battery_k = battery_s_ * (bus_k - emf_k);
  const double gassing_k = q.battery.gassing_d_inner * emf_k + gassing_heat;
  const double main_k = battery_k - gassing_k;

  k[Slot::kInput] = input_k;
  k[Slot::kBus] = bus_k;
  k[Slot::kSoc] = soc_own + soc_inverse_ * q.battery.soc_d_main * main_k;
  k[Slot::kFast] =
      fast_inverse_ * (rhs[Slot::kFast] + q.battery.fast_d_main * main_k + q.battery.fast_d_soc * k[Slot::kSoc]);
  k[Slot::kSlow] = slow_own + slow_inverse_ * slow_d_main_ * main_k;
  k[Slot::kBatteryDegc] = heat_k;
  k[Slot::kCellDegc] = cell_k;
  k[Slot::kPoa] = poa_k;
  const double switch_ohm = params_.load_switch_ohm;
  const double switched_k = switched_inverse_ * bus_k - switch_ohm * switched_own;  // voltage behind the load switch
  for (std::size_t i = 0; i < load_count_; ++i) {
    const double v_k = params_.loads[i].unswitched ? bus_k : switched_k;
    k[Slot::kFirstLoad + i] = lamp_inverse_[i] * (rhs[Slot::kFirstLoad + i] + q.loads[i].rate_d_voltage * v_k);
  }
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const double node_k = parts_.sense[i].node() == SenseNode::kPanelInput ? input_k : bus_k;
    k[first_sense_ + i] =
        pin_inverse_[i] * (rhs[first_sense_ + i] + q.sense[i].pin_d_node * node_k + q.sense[i].pin_d_degc * heat_k);
  }
  if (frozen_) {
    for (std::size_t i = Slot::kPanelJ; i < Slot::kFirstLoad; ++i) k[i] = 0.0;
    return;
  }
  solve_books(rhs, k, battery_k, gassing_k, load_own + load_d_bus_ * bus_k);
}

// The rows of the books: their integrands' slopes along the k already found.
void CircuitSystem::solve_books(const Vector& rhs, Vector& k, double battery_k, double gassing_k, double load_k) const {
  const CircuitPoint& q = marked_;
  const double input_v = marked_y_[Slot::kInput];
  const double bus_v = marked_y_[Slot::kBus];
  const double input_k = k[Slot::kInput];
  const double bus_k = k[Slot::kBus];
  const double panel_a = q.panel.current_a;
  const double panel_k =
      q.panel.d_voltage * input_k + q.panel.d_degc * k[Slot::kCellDegc] +
      (marked_y_[Slot::kPoa] > 0.0 || sun_slope_wpm2_per_s_ > 0.0 ? q.panel.d_poa * k[Slot::kPoa] : 0.0);
  const double panel_loss_k = 2.0 * params_.panel_cable_ohm * panel_a * panel_k;
  const double battery_loss_k = 2.0 * cable_ohm_ * q.battery_a * battery_k;
  double sense_k = 0.0;
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const SensePoint& p = q.sense[i];
    const bool input = parts_.sense[i].node() == SenseNode::kPanelInput;
    const double node_k = input ? input_k : bus_k;
    sense_k +=
        p.node_a * node_k + (input ? input_v : bus_v) * (p.node_d_node * node_k + p.node_d_pin * k[first_sense_ + i]);
  }
  const auto book = [&](std::size_t slot, double slope_a_per_v) { k[slot] = per_s_ * (rhs[slot] + slope_a_per_v); };
  book(Slot::kPanelJ, panel_a * input_k + input_v * panel_k + panel_loss_k);
  book(Slot::kWiringJ, panel_loss_k + battery_loss_k);
  book(Slot::kStageJ,
       q.branch.current_a * (input_k - bus_k) + (input_v - bus_v) * q.branch.d_voltage * (input_k - bus_k));
  book(Slot::kBatteryJ, q.battery_a * bus_k + bus_v * battery_k - battery_loss_k);
  book(Slot::kLoadsJ, (q.load_a + q.quiescent.current_a) * bus_k + bus_v * (load_k + q.quiescent.d_voltage * bus_k));
  book(Slot::kSenseJ, sense_k);
  book(Slot::kNetAh, battery_k * kPerHour);
  book(Slot::kGassingAh, gassing_k * kPerHour);
}

}  // namespace dawnrig::plant
