#include "plant/circuit_system.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::plant {
namespace {

constexpr double kQuiescentDropoutV = 1.0;
constexpr double kPerHour = 1.0 / 3600.0;

// Beyond these the laws of diodes and switches hold no more; what got that hot is destroyed.
constexpr double kColdestDegc = -80.0;
constexpr double kHottestDegc = 200.0;

double fuse_ohm(const std::optional<FuseParams>& fuse) {
  return fuse ? fuse->cold_ohm : 0.0;
}

bool main_switch_on(const Conditions& c) {
  return c.switch_fault == SwitchFaultKind::kStuckClosed || (c.gate_on && c.switch_fault == SwitchFaultKind::kNone);
}

}  // namespace

CircuitSystem::CircuitSystem(const CircuitParams& params, const CircuitParts& parts, const Conditions& conditions,
                             const Standing& standing)
    : params_{params},
      parts_{parts},
      conditions_{&conditions},
      size_{Slot::kFirstLoad + params.loads.size() + params.sense.size()},
      first_sense_{Slot::kFirstLoad + params.loads.size()},
      load_count_{params.loads.size()},
      sense_count_{params.sense.size()},
      conducting_{main_switch_on(conditions)},
      branch_{&parts.branch},
      buck_{parts.buck ? &*parts.buck : nullptr},
      connected_{conditions.battery_connected && !standing.battery_fuse_blown && !standing.battery_open},
      cable_ohm_{params.battery_cable_ohm * conditions.battery_cable_scale *
                     cable_factor(params.cable_per_k, conditions.ambient_degc) +
                 (conditions.battery_contact_ohm + fuse_ohm(params.battery_fuse))},
      panel_cable_ohm_{params.panel_cable_ohm * conditions.panel_cable_scale *
                           cable_factor(params.cable_per_k, conditions.ambient_degc) +
                       (conditions.panel_contact_ohm + fuse_ohm(params.panel_fuse))},
      more_panel_ohm_{panel_cable_ohm_ - params.panel_cable_ohm},
      panel_connected_{conditions.panel_connected && !standing.panel_fuse_blown},
      per_input_f_{1.0 / params.stage.input_capacitance_f},
      per_output_f_{1.0 / params.stage.output_capacitance_f},
      warming_k_per_wpm2_{parts.panel.warming_k_per_wpm2(conditions.wind_m_per_s)},
      stage_degc_{standing.stage_degc} {
  panel_scratch_.shade = &conditions.panel_shade;
  panel_scratch_.fault = conditions.panel_fault;
  set_series({});  // until follow_battery()
  if (buck_ != nullptr) {
    drive_ = {conducting_, !conditions.gate_on && conditions.switch_fault != SwitchFaultKind::kDriverDead};
    conducting_ = false;
  } else if (std::holds_alternative<ShuntPwmParams>(params.stage.topology)) {
    if (conducting_) shorting_s_ = 1.0 / params.stage.switch_ohm(25.0);
    conducting_ = true;
  }
  if (standing.stage_degc != 25.0 && params.stage.temperature_matters()) warm_stage(standing.stage_degc);
  for (std::size_t i = 0; i < load_count_; ++i) {
    if (!params.loads[i].unswitched && conditions.load_switch_on && conditions.loads[i].on) any_switched_ = true;
  }
  for (std::size_t i = 0; i < load_count_; ++i) {
    if (!conditions.loads[i].on && idle_when_off(params.loads[i])) continue;
    const bool behind = any_switched_ && !params.loads[i].unswitched;
    (behind ? behind_switch_ : on_bus_).add(i);
  }
}

CircuitSystem::CircuitSystem(const CircuitSystem& other, const Conditions& equal) : CircuitSystem{other} {
  conditions_ = &equal;
  panel_scratch_.shade = &equal.panel_shade;
  if (warm_branch_) branch_ = &*warm_branch_;
  if (warm_buck_) buck_ = &*warm_buck_;
}

void CircuitSystem::set_series(const Vector& y) {
  const double scale = conditions_->battery_resistance_scale;
  series_ = parts_.battery.series(y[Slot::kSoc], y[Slot::kBatteryDegc]);
  series_ = {series_.ohm * scale, series_.d_soc * scale, series_.d_degc * scale};
  battery_s_ = connected_ ? 1.0 / (series_.ohm + cable_ohm_) : 0.0;
}

void CircuitSystem::warm_stage(double degc) {
  degc = std::clamp(degc, kColdestDegc, kHottestDegc);
  if (buck_ != nullptr) {
    buck_ = &warm_buck_.emplace(params_.stage, std::get<BuckParams>(params_.stage.topology), degc);
    return;
  }
  branch_ = &warm_branch_.emplace(params_.stage, degc);
  if (shorting_s_ > 0.0) shorting_s_ = 1.0 / params_.stage.switch_ohm(degc);
}

PanelPoint CircuitSystem::panel_at(const Vector& y) {
  if (!panel_connected_) return {};
  if (more_panel_ohm_ != 0.0) return panel_behind_more(y);
  return parts_.panel.at(y[Slot::kInput], y[Slot::kPoa], y[Slot::kCellDegc], panel_scratch_);
}

// u - R I(u) = input, by Newton: the panel's current falls ever faster, so that one side of the root comes straight
// down to it and the other jumps to that side once. A warm or cold cable's R may be below zero, but is less than what
// the panel has of its own.
PanelPoint CircuitSystem::panel_behind_more(const Vector& y) {
  constexpr int kMostIterations = 100;
  double u = y[Slot::kInput] + more_panel_ohm_ * more_panel_a_;
  PanelPoint q;
  double slope = 1.0;
  for (int i = 0; i < kMostIterations; ++i) {
    q = parts_.panel.at(u, y[Slot::kPoa], y[Slot::kCellDegc], panel_scratch_);
    slope = 1.0 - more_panel_ohm_ * q.d_voltage;
    const double step = (y[Slot::kInput] - u + more_panel_ohm_ * q.current_a) / slope;
    u += step;
    if (!(std::abs(step) > 1e-9 * (1.0 + std::abs(u)))) {
      q.current_a += q.d_voltage * step;
      break;
    }
  }
  more_panel_a_ = std::isfinite(q.current_a) ? q.current_a : 0.0;
  const double share = 1.0 / slope;
  q.d_voltage *= share;
  q.d_degc *= share;
  q.d_poa *= share;
  return q;
}

void CircuitSystem::panel_and_branch(const Vector& y) {
  now_.panel = panel_at(y);
  now_.branch = conducting_ ? branch_->at(y[Slot::kInput] - y[Slot::kBus], branch_scratch_) : BranchPoint{};
}

bool CircuitSystem::currents(const Vector& y) {
  panel_and_branch(y);
  now_.battery_a = battery_a(y);
  if (shorting_s_ > 0.0) now_.shorted_a = shorting_s_ * y[Slot::kInput];
  if (buck_ != nullptr && !buck_currents(y)) return false;
  if (!load_currents(y)) return false;
  sense_currents(y);
  return true;
}

bool CircuitSystem::buck_currents(const Vector& y) {
  return buck_->at(y[Slot::kInput], y[Slot::kBus], y[Slot::kInductor], drive_, buck_scratch_, now_.buck);
}

double CircuitSystem::battery_degc_per_s(const BatteryPoint& q, double battery_degc) const {
  const Battery& b = parts_.battery;
  return conditions_->battery_held_at_temperature
             ? 0.0
             : (q.heating_w - (battery_degc - conditions_->ambient_degc) / b.thermal_resistance_k_per_w()) /
                   b.heat_capacity_j_per_k();
}

bool CircuitSystem::rates(const Vector& y, Vector& f) {
  y_ = y;
  follow_battery(y);
  if (!state_rates(y, f)) return false;
  book_rates(y, f);
  if (frozen_) {
    for (std::size_t i = Slot::kFast; i < Slot::kFirstLoad; ++i) f[i] = 0.0;
  }
  return true;
}

bool CircuitSystem::state_rates(const Vector& y, Vector& f) {
  if (!currents(y)) return false;
  battery_and_rates(y, f);
  return true;
}

void CircuitSystem::state_rates_near(const Vector& near, const Vector& y, Vector& f) {
  const double input_v = y[Slot::kInput] - near[Slot::kInput];
  const double bus_v = y[Slot::kBus] - near[Slot::kBus];
  // By now the sun has moved and the cells have warmed too.
  now_.panel.current_a +=
      now_.panel.d_voltage * input_v + (now_.panel.d_poa * (y[Slot::kPoa] - near[Slot::kPoa]) +
                                        now_.panel.d_degc * (y[Slot::kCellDegc] - near[Slot::kCellDegc]));
  now_.branch.current_a += now_.branch.d_voltage * (input_v - bus_v);
  now_.battery_a = battery_a(y);
  now_.load_a += now_.load_d_bus * bus_v;
  now_.switched_a += now_.switched_d_bus * bus_v;
  now_.load_v += conditions_->load_switch_on ? now_.switched_share_frac * bus_v : 0.0;
  now_.quiescent.current_a += now_.quiescent.d_voltage * bus_v;
  sense_currents(y);
  battery_and_rates(y, f);
}

void CircuitSystem::battery_and_rates(const Vector& y, Vector& f) {
  now_.battery = battery_at(battery_of(y), now_.battery_a);
  f[Slot::kInput] = input_per_s();
  f[Slot::kBus] = bus_per_s();
  f[Slot::kInductor] = now_.buck.inductor_a_per_s;
  f[Slot::kFast] = now_.battery.fast_per_s;
  f[Slot::kSlow] = now_.battery.slow_per_s;
  f[Slot::kSoc] = now_.battery.soc_per_s;
  f[Slot::kHysteresis] = now_.battery.hysteresis_per_s;
  f[Slot::kBatteryDegc] = battery_degc_per_s(now_.battery, y[Slot::kBatteryDegc]);
  f[Slot::kCellDegc] = cell_degc_per_s(y[Slot::kPoa], y[Slot::kCellDegc]);
  f[Slot::kPoa] = sun_slope_wpm2_per_s_;
  for (std::size_t i = 0; i < load_count_; ++i) f[Slot::kFirstLoad + i] = now_.loads[i].state_per_s;
  for (std::size_t i = 0; i < sense_count_; ++i) f[first_sense_ + i] = now_.sense[i].pin_per_s;
}

bool CircuitSystem::load_currents(const Vector& y) {
  const double bus_v = y[Slot::kBus];
  now_.quiescent = held_current(params_.stage.quiescent_a, kQuiescentDropoutV, bus_v);
  now_.load_a = now_.load_d_bus = now_.switched_a = now_.switched_d_bus = 0.0;
  now_.load_v = conditions_->load_switch_on ? bus_v : 0.0;
  for (const std::size_t i : on_bus_) {
    const LoadParams& load = params_.loads[i];
    const Conditions::LoadSetting& setting = conditions_->loads[i];
    now_.loads[i] = load_at(load, setting.on && load.unswitched, setting.scale, bus_v, y[Slot::kFirstLoad + i],
                            load_slope_a_per_s_[i]);
    now_.load_a += now_.loads[i].current_a;
    now_.load_d_bus += now_.loads[i].d_voltage;
  }
  return !any_switched_ || switched_loads(y);
}

double CircuitSystem::behind_switch_a(const Vector& y, double v, double& slope_a_per_v) {
  double a = 0.0;
  slope_a_per_v = 0.0;
  for (const std::size_t i : behind_switch_) {
    now_.loads[i] = load_at(params_.loads[i], conditions_->loads[i].on, conditions_->loads[i].scale, v,
                            y[Slot::kFirstLoad + i], load_slope_a_per_s_[i]);
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
  for (const std::size_t i : behind_switch_) {  // a motor that feeds back
    high = std::fmax(high, open_terminal_v(params_.loads[i], y[Slot::kFirstLoad + i]));
  }
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
  now_.switched_a = a;
  now_.switched_d_bus = slope_a_per_v * now_.switched_share_frac;
  now_.load_d_bus += now_.switched_d_bus;
}

double CircuitSystem::sensed_a(SenseNode node) const {
  switch (node) {
    case SenseNode::kChargeCurrent:
      return charge_a();
    case SenseNode::kLoadCurrent:
      return now_.switched_a;
    case SenseNode::kBatteryCurrent:
      return now_.battery_a;
    case SenseNode::kBus:
    case SenseNode::kPanelInput:
    case SenseNode::kBatteryTemperature:
    case SenseNode::kStageTemperature:
      break;
  }
  return 0.0;
}

void CircuitSystem::sense_currents(const Vector& y) {
  struct Drawn {
    double a{0.0}, d_node{0.0};
  };
  Drawn from_input;
  Drawn from_bus;
  SenseWorld world{.ambient_degc = conditions_->ambient_degc, .supply_v = conditions_->supply_v};
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const SenseChannel& channel = parts_.sense[i];
    const SenseNode node = channel.node();
    const bool input = node == SenseNode::kPanelInput;
    world.node_v = input ? y[Slot::kInput] : y[Slot::kBus];
    world.thermistor_degc = node == SenseNode::kStageTemperature ? stage_degc_ : y[Slot::kBatteryDegc];
    world.fault = conditions_->sense_faults[i];
    world.sensed_a = is_current(node) ? sensed_a(node) : 0.0;
    SensePoint& q = now_.sense[i];
    channel.find(y[first_sense_ + i], world, sense_scratch_[i], q);
    if (node == SenseNode::kStageTemperature) q.pin_d_degc = 0.0;  // that one stands still
    Drawn& drawn = input ? from_input : from_bus;
    drawn.a += q.node_a;
    drawn.d_node += q.node_d_node;
  }
  now_.from_input_a = from_input.a;
  now_.from_bus_a = from_bus.a;
  now_.input_sense_d_input = from_input.d_node;
  now_.bus_sense_d_bus = from_bus.d_node;
}

void CircuitSystem::book_rates(const Vector& y, Vector& f) const {
  const double panel_a = now_.panel.current_a;
  const double battery_a = now_.battery_a;
  const double panel_loss_w = panel_cable_ohm_ * panel_a * panel_a;
  f[Slot::kPanelJ] = y[Slot::kInput] * panel_a + panel_loss_w;
  f[Slot::kWiringJ] = panel_loss_w + cable_ohm_ * battery_a * battery_a;
  f[Slot::kStageJ] = (y[Slot::kInput] - y[Slot::kBus]) * now_.branch.current_a + y[Slot::kInput] * now_.shorted_a;
  if (buck_ != nullptr) {
    const BuckPoint& q = now_.buck;  // what goes in, less what comes out, less what the inductor takes
    f[Slot::kStageJ] = y[Slot::kInput] * q.from_input_a - y[Slot::kBus] * q.into_bus_a -
                       buck_->inductance_henry() * y[Slot::kInductor] * q.inductor_a_per_s;
  }
  f[Slot::kBatteryJ] = (y[Slot::kBus] - cable_ohm_ * battery_a) * battery_a;
  f[Slot::kLoadsJ] = y[Slot::kBus] * (now_.load_a + now_.quiescent.current_a);
  f[Slot::kSenseJ] = y[Slot::kBus] * now_.from_bus_a + y[Slot::kInput] * now_.from_input_a;
  f[Slot::kNetAh] = battery_a * kPerHour;
  f[Slot::kGassingAh] = now_.battery.gassing_a * kPerHour;
  f[Slot::kUnstoredAh] = now_.battery.unstored_a * kPerHour;
}

}  // namespace dawnrig::plant
