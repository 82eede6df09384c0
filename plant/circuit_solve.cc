// The linear algebra of CircuitSystem: (s - J) k = rhs, eliminated by hand.
#include "plant/circuit_system.h"

namespace dawnrig::plant {
namespace {

constexpr double kPerHour = 1.0 / 3600.0;

}  // namespace

// Along k.
struct BatteryCurrents {
  double terminal_a{}, gassing_a{}, main_a{};
};

void CircuitSystem::linearise(double s) {
  s_ = s;
  per_s_ = 1.0 / s;
  const CircuitPoint& q = *marked_;
  linearise_battery(s);
  linearise_loads(s);
  linearise_sense(s);
  // Each node's row without its share in the branch, which couples the two: the determinant then loses no digits
  // however stiff the branch is.
  input_self_ = params_.stage.input_capacitance_f * s - q.panel.d_voltage + shorting_s_;
  bus_self_ =
      params_.stage.output_capacitance_f * s + battery_s_ * (1.0 - emf_d_bus_) + load_d_bus_ + q.quiescent.d_voltage;
  for (std::size_t i = 0; i < sense_count_; ++i) {
    const SensePoint& p = q.sense[i];
    const double g = p.node_d_node + p.node_d_pin * p.pin_d_node * pin_inverse_[i];
    (parts_.sense[i].node() == SenseNode::kPanelInput ? input_self_ : bus_self_) += g;
  }
  det_inverse_ = 1.0 / (input_self_ * bus_self_ + q.branch.d_voltage * (input_self_ + bus_self_));
  if (buck_ != nullptr) linearise_buck(s);
}

// The inductor goes first: K_i = (rhs_i + slopes K_nodes)/(s - slope); what is left of its rows joins the two nodes.
void CircuitSystem::linearise_buck(double s) {
  const BuckPoint& q = marked_->buck;
  inductor_inverse_ = 1.0 / (s - q.inductor_d_state[2]);
  const double input_share = q.from_input_d_state[2] * inductor_inverse_;
  const double bus_share = q.into_bus_d_state[2] * inductor_inverse_;
  for (std::size_t i = 0; i < 2; ++i) {
    input_row_s_[i] = q.from_input_d_state[i] + input_share * q.inductor_d_state[i];
    bus_row_s_[i] = -q.into_bus_d_state[i] - bus_share * q.inductor_d_state[i];
  }
  input_row_s_[0] += input_self_;
  bus_row_s_[1] += bus_self_;
  det_inverse_ = 1.0 / (input_row_s_[0] * bus_row_s_[1] - input_row_s_[1] * bus_row_s_[0]);
}

void CircuitSystem::solve_nodes(const Vector& rhs, double input_a, double bus_a, Vector& k) const {
  const double d = marked_->branch.d_voltage;
  if (buck_ == nullptr) {
    k[Slot::kInput] = ((bus_self_ + d) * input_a + d * bus_a) * det_inverse_;
    k[Slot::kBus] = ((input_self_ + d) * bus_a + d * input_a) * det_inverse_;
    k[Slot::kInductor] = 0.0;
    return;
  }
  const BuckPoint& q = marked_->buck;
  const double own = inductor_inverse_ * rhs[Slot::kInductor];
  input_a -= q.from_input_d_state[2] * own;
  bus_a += q.into_bus_d_state[2] * own;
  k[Slot::kInput] = (bus_row_s_[1] * input_a - input_row_s_[1] * bus_a) * det_inverse_;
  k[Slot::kBus] = (input_row_s_[0] * bus_a - bus_row_s_[0] * input_a) * det_inverse_;
  k[Slot::kInductor] =
      own + inductor_inverse_ * (q.inductor_d_state[0] * k[Slot::kInput] + q.inductor_d_state[1] * k[Slot::kBus]);
}

// The battery's rows hang together through the main current alone: K_emf = P + emf_d_main K_main, and so does what the
// drifting series resistance makes of the current: K_drop = Pd + drop_d_main K_main.
void CircuitSystem::linearise_battery(double s) {
  const Battery& b = parts_.battery;
  battery_ = b.slopes(marked_->battery, marked_y_[Slot::kHysteresis]);
  const BatterySlopes& q = battery_;
  if (frozen_) {
    cell_inverse_ = heat_inverse_ = fast_inverse_ = slow_inverse_ = soc_inverse_ = hysteresis_inverse_ = 0.0;
  } else {
    cell_inverse_ = 1.0 / (s + 1.0 / SingleDiodePanel::kThermalLagS);
    heat_inverse_ = conditions_->battery_held_at_temperature
                        ? per_s_
                        : 1.0 / (s + 1.0 / (b.thermal_resistance_k_per_w() * b.heat_capacity_j_per_k()));
    fast_inverse_ = 1.0 / (s + 1.0 / b.tau_fast_s());
    slow_inverse_ = 1.0 / (s + 1.0 / b.tau_slow_s());
    soc_inverse_ = 1.0 / (s - q.soc_d_soc);
    hysteresis_inverse_ = 1.0 / (s - q.hysteresis_d_hysteresis);
  }
  const double soc_k_main = soc_inverse_ * q.soc_d_main;
  emf_d_main_ = fast_inverse_ * (q.fast_d_main + q.fast_d_soc * soc_k_main) +
                slow_inverse_ * (q.slow_d_main + q.slow_d_soc * soc_k_main) +
                marked_->battery.inner_d_soc * soc_k_main +
                b.hysteresis_v() * hysteresis_inverse_ * q.hysteresis_d_main;
  drop_d_main_ = marked_->battery_a * series_.d_soc * soc_k_main;
  emf_inverse_ = 1.0 / (1.0 + (emf_d_main_ + drop_d_main_) * battery_s_ + emf_d_main_ * q.gassing_d_inner);
  emf_d_bus_ = (emf_d_main_ + drop_d_main_) * battery_s_ * emf_inverse_;
}

void CircuitSystem::linearise_loads(double s) {
  load_d_bus_ = 0.0;
  double behind_switch_a = 0.0;
  for (std::size_t i = 0; i < load_count_; ++i) {
    const LoadPoint& q = marked_->loads[i];
    lamp_inverse_[i] = 1.0 / (s - q.rate_d_state);
    const double g = q.d_voltage + q.d_state * q.rate_d_voltage * lamp_inverse_[i];
    (params_.loads[i].unswitched ? load_d_bus_ : behind_switch_a) += g;
  }
  switched_inverse_ = 1.0 / (1.0 + params_.load_switch_ohm * behind_switch_a);
  switched_d_bus_ = behind_switch_a * switched_inverse_;
  load_d_bus_ += switched_d_bus_;
}

void CircuitSystem::linearise_sense(double s) {
  for (std::size_t i = 0; i < sense_count_; ++i) pin_inverse_[i] = 1.0 / (s - marked_->sense[i].pin_d_pin);
}

void CircuitSystem::solve(const Vector& rhs, Vector& k) const {
  const CircuitPoint& q = *marked_;
  const double poa_k = frozen_ ? 0.0 : rhs[Slot::kPoa] * per_s_;
  const bool lit = marked_y_[Slot::kPoa] > 0.0 || sun_slope_wpm2_per_s_ > 0.0;
  const double warming = lit ? warming_k_per_wpm2_ / SingleDiodePanel::kThermalLagS : 0.0;
  const double cell_k = cell_inverse_ * (rhs[Slot::kCellDegc] + warming * poa_k);
  const double heat_k = heat_inverse_ * rhs[Slot::kBatteryDegc];

  // Battery: what its electromotive force does of itself, and with it the drift of the series resistance.
  const double soc_own = soc_inverse_ * rhs[Slot::kSoc];
  const double fast_own = fast_inverse_ * (rhs[Slot::kFast] + battery_.fast_d_soc * soc_own);
  const double slow_own = slow_inverse_ * (rhs[Slot::kSlow] + battery_.slow_d_soc * soc_own);
  const double hysteresis_own = hysteresis_inverse_ * rhs[Slot::kHysteresis];
  const double gassing_heat = battery_.gassing_d_degc * heat_k;
  const double gassing_s = battery_.gassing_d_inner;
  const double drop_own = q.battery_a * (series_.d_soc * soc_own + series_.d_degc * heat_k);
  const double still_own = fast_own + slow_own + q.battery.inner_d_soc * soc_own +
                           parts_.battery.hysteresis_v() * hysteresis_own + parts_.battery.ocv_per_k_v() * heat_k;
  const double emf_own = (still_own + drop_own + gassing_s * (emf_d_main_ * drop_own - drop_d_main_ * still_own) -
                          (emf_d_main_ + drop_d_main_) * gassing_heat) *
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

  solve_nodes(rhs, input_r, bus_r, k);
  const double input_k = k[Slot::kInput];
  const double bus_k = k[Slot::kBus];
  const double emf_k = emf_own + emf_d_bus_ * bus_k;  // the drop included
  const double battery_k = battery_s_ * (bus_k - emf_k);
  const double main_k =
      (battery_k - (gassing_s * (emf_k - drop_own) + gassing_heat)) / (1.0 - gassing_s * drop_d_main_);
  const double gassing_k = gassing_s * (emf_k - drop_own - drop_d_main_ * main_k) + gassing_heat;

  k[Slot::kSoc] = soc_own + soc_inverse_ * battery_.soc_d_main * main_k;
  k[Slot::kFast] =
      fast_inverse_ * (rhs[Slot::kFast] + battery_.fast_d_main * main_k + battery_.fast_d_soc * k[Slot::kSoc]);
  k[Slot::kSlow] =
      slow_inverse_ * (rhs[Slot::kSlow] + battery_.slow_d_main * main_k + battery_.slow_d_soc * k[Slot::kSoc]);
  k[Slot::kHysteresis] = hysteresis_own + hysteresis_inverse_ * battery_.hysteresis_d_main * main_k;
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
    const SenseNode node = parts_.sense[i].node();
    const double node_k = is_current(node)                 ? sensed_k(node, k, battery_k, switched_own)
                          : node == SenseNode::kPanelInput ? input_k
                                                           : bus_k;
    k[first_sense_ + i] =
        pin_inverse_[i] * (rhs[first_sense_ + i] + q.sense[i].pin_d_node * node_k + q.sense[i].pin_d_degc * heat_k);
  }
  if (frozen_) {
    for (std::size_t i = Slot::kPanelJ; i < Slot::kFirstLoad; ++i) k[i] = 0.0;
    return;
  }
  solve_books(rhs, k, BatteryCurrents{battery_k, gassing_k, main_k}, load_own + load_d_bus_ * bus_k);
}

// How a sensed current moves with the k already found; switched_own_a: what the loads behind the switch do of
// themselves.
double CircuitSystem::sensed_k(SenseNode node, const Vector& k, double battery_k, double switched_own_a) const {
  const CircuitPoint& q = *marked_;
  if (node == SenseNode::kBatteryCurrent) return battery_k;
  if (node == SenseNode::kLoadCurrent) return switched_own_a + switched_d_bus_ * k[Slot::kBus];
  if (buck_ == nullptr) return q.branch.d_voltage * (k[Slot::kInput] - k[Slot::kBus]);
  const std::array<double, 3>& slope = q.buck.into_bus_d_state;
  return slope[0] * k[Slot::kInput] + slope[1] * k[Slot::kBus] + slope[2] * k[Slot::kInductor];
}

// How the stage's loss moves with the k of the nodes.
double CircuitSystem::stage_loss_k(const Vector& k) const {
  const CircuitPoint& q = *marked_;
  const double input_v = marked_y_[Slot::kInput];
  const double bus_v = marked_y_[Slot::kBus];
  const double input_k = k[Slot::kInput];
  const double bus_k = k[Slot::kBus];
  if (buck_ == nullptr) {
    return q.branch.current_a * (input_k - bus_k) + (input_v - bus_v) * q.branch.d_voltage * (input_k - bus_k) +
           2.0 * q.shorted_a * input_k;
  }
  const auto along = [&](const std::array<double, 3>& slope) {
    return slope[0] * input_k + slope[1] * bus_k + slope[2] * k[Slot::kInductor];
  };
  const double inductor_a = marked_y_[Slot::kInductor];
  return q.buck.from_input_a * input_k + input_v * along(q.buck.from_input_d_state) - q.buck.into_bus_a * bus_k -
         bus_v * along(q.buck.into_bus_d_state) -
         buck_->inductance_henry() *
             (q.buck.inductor_a_per_s * k[Slot::kInductor] + inductor_a * along(q.buck.inductor_d_state));
}

// The rows of the books: their integrands' slopes along the k already found.
void CircuitSystem::solve_books(const Vector& rhs, Vector& k, const BatteryCurrents& battery, double load_k) const {
  const CircuitPoint& q = *marked_;
  const double input_v = marked_y_[Slot::kInput];
  const double bus_v = marked_y_[Slot::kBus];
  const double input_k = k[Slot::kInput];
  const double bus_k = k[Slot::kBus];
  const double panel_a = q.panel.current_a;
  const double panel_k =
      q.panel.d_voltage * input_k + q.panel.d_degc * k[Slot::kCellDegc] +
      (marked_y_[Slot::kPoa] > 0.0 || sun_slope_wpm2_per_s_ > 0.0 ? q.panel.d_poa * k[Slot::kPoa] : 0.0);
  const double panel_loss_k = 2.0 * panel_cable_ohm_ * panel_a * panel_k;
  const double battery_loss_k = 2.0 * cable_ohm_ * q.battery_a * battery.terminal_a;
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
  book(Slot::kStageJ, stage_loss_k(k));
  book(Slot::kBatteryJ, q.battery_a * bus_k + bus_v * battery.terminal_a - battery_loss_k);
  book(Slot::kLoadsJ, (q.load_a + q.quiescent.current_a) * bus_k + bus_v * (load_k + q.quiescent.d_voltage * bus_k));
  book(Slot::kSenseJ, sense_k);
  book(Slot::kNetAh, battery.terminal_a * kPerHour);
  book(Slot::kGassingAh, battery.gassing_a * kPerHour);
  // What the state of charge does not get, so that the charge is all there, to the last digit.
  book(Slot::kUnstoredAh,
       battery.main_a * kPerHour -
           parts_.battery.capacity_ah() * (battery_.soc_d_main * battery.main_a + battery_.soc_d_soc * k[Slot::kSoc]));
}

}  // namespace dawnrig::plant
