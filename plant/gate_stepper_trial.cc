// One trial of GateStepper: where a step of some length would lead, and how far that is from true. Its beginning and
// its end are in gate_stepper.cc.
#include <algorithm>
#include <cmath>
#include <limits>

#include "plant/core/gram.h"
#include "plant/gate_stepper.h"

namespace dawnrig::plant {
namespace {

// Panel and branch bend over volts and tens of millivolts.
constexpr double kFlatV = 0.01;
constexpr double kFlatAcrossV = 3e-4;
// A current that turns around after an edge does so in every cycle, and polarisation keeps what it is given for a
// thousand.
constexpr double kTurnsKept = 100.0;
// What half a step and its end say of a knee may look like a parabola by chance, without a twist that would tell. A
// bend that moves an end by more than so many tolerances is not taken to be right to one.
constexpr double kMostBent = 12.0;
// Of products of two excursions, means below it are left out: less than a tenth of a microjoule in a day.
constexpr double kUnseenW = 1e-12;
constexpr double kQuietInputV = 1e-3;  // further than that there is no need to try
constexpr double kQuietBusV = 1e-5;

}  // namespace

// What panel and branch carry at next_ beyond the straight lines from the start; sun and cells are those of the start.
GateStepper::Currents GateStepper::missed_sharply(const Vector& y) const {
  const CircuitPoint& q = system_->point();
  const double input_v = next_[Slot::kInput] - y[Slot::kInput];
  const double across_v = input_v - (next_[Slot::kBus] - y[Slot::kBus]);
  Currents miss;
  miss.panel_a = q.panel.current_a - start_.panel_a - at_.panel.d_voltage * input_v;
  miss.branch_a = q.branch.current_a - start_.branch_a - at_.branch.d_voltage * across_v;
  return miss;
}

// And all the rest, at the end of the step.
GateStepper::Currents GateStepper::missed(const Vector& y, double h_s) const {
  const CircuitPoint& q = system_->point();
  const double input_v = next_[Slot::kInput] - y[Slot::kInput];
  const double bus_v = next_[Slot::kBus] - y[Slot::kBus];
  const double emf_miss_v =
      system_->parts().battery.inner_v(CircuitSystem::battery_of(next_)) - emf_v_ - h_s * emf_drift_v_;
  Currents miss = missed_sharply(y);
  miss.battery_a = -system_->battery_s() * emf_miss_v;
  miss.load_a = q.load_a + q.quiescent.current_a - start_.load_a - (at_.load_d_bus + at_.quiescent.d_voltage) * bus_v -
                h_s * drift_.load_a;
  miss.input_sense_a = q.from_input_a - start_.input_sense_a - at_.input_sense_d_input * input_v;
  miss.bus_sense_a = q.from_bus_a - start_.bus_sense_a - at_.bus_sense_d_bus * bus_v;
  return miss;
}

TwoModes::Pair GateStepper::nodes_per_s(const Currents& i) const {
  return {(i.panel_a - i.branch_a - i.input_sense_a) * nodes_.first.per_f,
          (i.branch_a - i.battery_a - i.load_a - i.bus_sense_a) * nodes_.second.per_f};
}

double GateStepper::attempt(const Vector& y, const TwoModes& two, double h_s) {
  length_s_ = h_s;
  TwoModes::Step s = two.over(h_s);
  const TwoModes::Pair end = two.to_nodes(s.end);
  const TwoModes::Pair mean = two.to_nodes(s.mean);
  // Half way, only the panel and the branch are looked at: the rest bends so little that a parabola will do. Where they
  // hardly move, not even they: what they miss then is the parabola that is found at the end.
  Currents half_miss;
  TwoModes::Pair pushed{};
  const bool bends = at_.branch.d_voltage != 0.0;
  const auto flat_at = [bends](const TwoModes::Pair& v) {
    return std::abs(v[0]) < kFlatV && !(bends && std::abs(v[0] - v[1]) > kFlatAcrossV);
  };
  // Mostly nothing comes far enough to be looked at half way.
  const TwoModes::Pair most = two.most_v(s);
  bool flat = most[0] < kFlatV && !(bends && most[0] + most[1] > kFlatAcrossV);
  TwoModes::Pair half{};
  if (!flat) {
    half = two.half_way(s);
    flat = flat_at(half) && flat_at(end);
  }
  if (!flat) {
    next_ = y;
    next_[Slot::kInput] += half[0];
    next_[Slot::kBus] += half[1];
    system_->panel_and_branch(next_);
    half_miss = missed_sharply(y);
    pushed = two.pushed(s, h_s, nodes_per_s(half_miss));
  }

  next_ = y;
  next_[Slot::kInput] += end[0] + pushed[0];
  next_[Slot::kBus] += end[1] + pushed[1];
  mean_battery_a_ = start_.battery_a + system_->battery_s() * (mean[1] + pushed[1] / 3.0 - 0.5 * h_s * emf_drift_v_);
  double worst = move_slow(y, mean_battery_a_, h_s);
  for (std::size_t i = Slot::kFirstLoad; i < system_->first_sense(); ++i) next_[i] = y[i] + h_s * f_[i];
  place_pins(y, s, h_s, {end[0] + pushed[0], mean[0] + pushed[0] / 3.0},
             {end[1] + pushed[1], mean[1] + pushed[1] / 3.0});
  stage_ = {next_[Slot::kInput], next_[Slot::kBus]};
  converged_ = system_->currents(next_);
  if (!converged_) return std::numeric_limits<double>::quiet_NaN();
  // The misses at half and at the end as bend tau^2 + twist tau^3.
  bend_ = missed(y, h_s);
  Currents mild = bend_;
  mild.panel_a = mild.branch_a = 0.0;
  twist_ = {};
  const auto fit = [](double at_half, double& bend, double& twist) {
    const double at_end = bend;
    bend = 8.0 * at_half - at_end;
    twist = 2.0 * at_end - 8.0 * at_half;
  };
  if (!flat) {
    fit(half_miss.panel_a, bend_.panel_a, twist_.panel_a);
    fit(half_miss.branch_a, bend_.branch_a, twist_.branch_a);
  }
  const TwoModes::Bent bent = two.bend(s, h_s, nodes_per_s(bend_), nodes_per_s(twist_));
  const TwoModes::Pair mildly = two.pushed(s, h_s, nodes_per_s(mild));
  worst = std::max({worst, (std::abs(bent.by_twist[0]) + std::abs(mildly[0])) * inverse_tolerance_[Slot::kInput],
                    (std::abs(bent.by_twist[1]) + std::abs(mildly[1])) * inverse_tolerance_[Slot::kBus]});
  const double bent_by = std::max(std::abs(bent.by_bend[0]) * inverse_tolerance_[Slot::kInput],
                                  std::abs(bent.by_bend[1]) * inverse_tolerance_[Slot::kBus]);
  if (bent_by > kMostBent) worst = std::max(worst, bent_by / kMostBent);
  if (!(worst <= 1.0) && h_s > 1.5e-9 && !forced_) return worst;  // also when it is not a number
  const TwoModes::Pair last_end = two.to_nodes(s.end);
  worst = std::max(worst, move_filaments(y, h_s));
  worst = std::max(worst, move_pins(y, two, s, h_s));
  forces_ = static_cast<const TwoModes::Forces&>(s);
  next_[Slot::kInput] = y[Slot::kInput] + last_end[0];
  next_[Slot::kBus] = y[Slot::kBus] + last_end[1];
  keep_books(y, two, s, h_s);
  next_[Slot::kPoa] += h_s * f_[Slot::kPoa];
  next_[Slot::kCellDegc] += h_s * (1.0 - 0.5 * h_s / SingleDiodePanel::kThermalLagS) * f_[Slot::kCellDegc];
  return worst;
}

// By the midpoint, with the mean current. What the kink of the acceptance at zero current makes of a current that
// turns around within the step is the error.
double GateStepper::move_slow(const Vector& y, double mean_battery_a, double h_s) {
  Vector& next = next_;
  BatteryState middle = CircuitSystem::battery_of(y);
  const double half_s = 0.5 * h_s;
  middle.soc_frac += half_s * f_[Slot::kSoc];
  middle.v_fast_v += half_s * f_[Slot::kFast];
  middle.v_slow_v += half_s * f_[Slot::kSlow];
  middle.battery_degc += half_s * f_[Slot::kBatteryDegc];
  middle.hysteresis_frac += half_s * f_[Slot::kHysteresis];
  const BatteryPoint q = system_->battery_at(middle, mean_battery_a);
  next[Slot::kSoc] += h_s * q.soc_per_s;
  next[Slot::kFast] += h_s * q.fast_per_s;
  next[Slot::kSlow] += h_s * q.slow_per_s;
  next[Slot::kBatteryDegc] += h_s * system_->battery_degc_per_s(q, middle.battery_degc);
  next[Slot::kHysteresis] += h_s * q.hysteresis_per_s;
  next[Slot::kGassingAh] += h_s / 3600.0 * q.gassing_a;
  next[Slot::kUnstoredAh] += h_s / 3600.0 * q.unstored_a;

  const Battery& battery = system_->parts().battery;
  const double first_a = start_.battery_a - at_.battery.gassing_a;
  const double last_a = first_a + 2.0 * (mean_battery_a - start_.battery_a);
  if ((first_a > 0.0) == (last_a > 0.0)) return 0.0;
  const double kink_per_s = std::abs(battery.fast_d_main(q) - battery.fast_d_main(at_.battery));
  return kTurnsKept * 0.5 * h_s * kink_per_s * std::min(std::abs(first_a), std::abs(last_a)) *
         inverse_tolerance_[Slot::kFast];
}

// Of what hardly moves the means of products, but for those of two excursions. False: it moves more than that. Under
// forces that hardly bend the ends and means show how far anything goes.
bool GateStepper::quiet_powers(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s,
                               Powers& mean) const {
  const TwoModes::Pair end_v = two.to_nodes(s.end);
  if (!(std::abs(end_v[0]) < kQuietInputV && std::abs(end_v[1]) < kQuietBusV)) return false;
  const TwoModes::Pair mean_v = two.to_nodes(s.mean);
  const TwoModes::Pair far_v{std::abs(end_v[0]) + std::abs(mean_v[0]), std::abs(end_v[1]) + std::abs(mean_v[1])};
  struct Swing {
    double mean_a, far_a;
  };
  const auto current = [&](double d_in, double d_out, double drift_a, double bend_a, double twist_a) {
    const double mean_a =
        d_in * mean_v[0] + d_out * mean_v[1] + 0.5 * h_s * drift_a + bend_a * (1.0 / 3) + twist_a * 0.25;
    return Swing{mean_a,
                 std::abs(mean_a) + std::abs(d_in * end_v[0] + d_out * end_v[1] + h_s * drift_a + bend_a + twist_a)};
  };
  const double between = at_.branch.d_voltage;
  const Swing panel = current(at_.panel.d_voltage, 0.0, drift_.panel_a, bend_.panel_a, twist_.panel_a);
  const Swing branch = current(between, -between, 0.0, bend_.branch_a, twist_.branch_a);
  const Swing battery = current(0.0, system_->battery_s(), drift_.battery_a, bend_.battery_a, twist_.battery_a);
  const Swing load = current(0.0, at_.load_d_bus + at_.quiescent.d_voltage, drift_.load_a, bend_.load_a, twist_.load_a);
  const Swing in_sense = current(at_.input_sense_d_input, 0.0, 0.0, bend_.input_sense_a, twist_.input_sense_a);
  const Swing out_sense = current(0.0, at_.bus_sense_d_bus, 0.0, bend_.bus_sense_a, twist_.bus_sense_a);
  const double left_out_w = far_v[0] * (panel.far_a + branch.far_a + in_sense.far_a) +
                            far_v[1] * (branch.far_a + battery.far_a + load.far_a + out_sense.far_a) +
                            system_->panel_cable_ohm() * panel.far_a * panel.far_a +
                            system_->cable_ohm() * battery.far_a * battery.far_a;
  if (!(left_out_w < kUnseenW)) return false;
  const double input_v = y[Slot::kInput];
  const double bus_v = y[Slot::kBus];
  const auto power_w = [](double v, double more_v, double a, const Swing& more) {
    return (v + more_v) * a + v * more.mean_a;
  };
  const auto square_a2 = [](double a, const Swing& more) { return a * (a + 2.0 * more.mean_a); };
  mean.panel_w = power_w(input_v, mean_v[0], start_.panel_a, panel);
  mean.stage_w = power_w(input_v - bus_v, mean_v[0] - mean_v[1], start_.branch_a, branch);
  mean.battery_w = power_w(bus_v, mean_v[1], start_.battery_a, battery);
  mean.load_w = power_w(bus_v, mean_v[1], start_.load_a, load);
  mean.sense_w = power_w(input_v, mean_v[0], start_.input_sense_a, in_sense) +
                 power_w(bus_v, mean_v[1], start_.bus_sense_a, out_sense);
  mean.panel_a2 = square_a2(start_.panel_a, panel);
  mean.battery_a2 = square_a2(start_.battery_a, battery);
  mean.battery_a = start_.battery_a + battery.mean_a;
  return true;
}

GateStepper::Powers GateStepper::powers(const Vector& y, const TwoModes& two, const TwoModes::Step& s,
                                        double h_s) const {
  const Gram gram{s};
  const Along in = two.first_along();
  const Along out = two.second_along();
  const auto current = [&](double at_a, double d_node, const Along& node, double drift_a, double bend_a,
                           double twist_a) {
    return Along{at_a, d_node * node[1], d_node * node[2], h_s * drift_a, bend_a, twist_a};
  };
  const double between = at_.branch.d_voltage;
  const double load_s = at_.load_d_bus + at_.quiescent.d_voltage;
  const Along panel_a = current(start_.panel_a, at_.panel.d_voltage, in, drift_.panel_a, bend_.panel_a, twist_.panel_a);
  const Along branch_a{
      start_.branch_a, between * in[1] - between * out[1], between * in[2] - between * out[2], 0.0, bend_.branch_a,
      twist_.branch_a};
  const Along battery_a =
      current(start_.battery_a, system_->battery_s(), out, drift_.battery_a, bend_.battery_a, twist_.battery_a);
  const Along load_a = current(start_.load_a, load_s, out, drift_.load_a, bend_.load_a, twist_.load_a);
  const Along in_sense_a =
      current(start_.input_sense_a, at_.input_sense_d_input, in, 0.0, bend_.input_sense_a, twist_.input_sense_a);
  const Along out_sense_a =
      current(start_.bus_sense_a, at_.bus_sense_d_bus, out, 0.0, bend_.bus_sense_a, twist_.bus_sense_a);
  const Along input_v = gram.times_voltage(y[Slot::kInput], in);
  const Along bus_v = gram.times_voltage(y[Slot::kBus], out);
  return {Gram::dot(input_v, panel_a),
          Gram::dot(input_v, branch_a) - Gram::dot(bus_v, branch_a),
          Gram::dot(bus_v, battery_a),
          Gram::dot(bus_v, load_a),
          Gram::dot(input_v, in_sense_a) + Gram::dot(bus_v, out_sense_a),
          gram.square(panel_a),
          gram.square(battery_a),
          gram.mean(battery_a)};
}

void GateStepper::keep_books(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s) {
  Powers mean;
  if (!quiet_powers(y, two, s, h_s, mean)) mean = powers(y, two, s, h_s);
  const double panel_loss_w = system_->panel_cable_ohm() * mean.panel_a2;
  const double battery_loss_w = system_->cable_ohm() * mean.battery_a2;
  next_[Slot::kPanelJ] += h_s * (mean.panel_w + panel_loss_w);
  next_[Slot::kWiringJ] += h_s * (panel_loss_w + battery_loss_w);
  next_[Slot::kStageJ] += h_s * mean.stage_w;
  next_[Slot::kBatteryJ] += h_s * (mean.battery_w - battery_loss_w);
  next_[Slot::kLoadsJ] += h_s * mean.load_w;
  next_[Slot::kSenseJ] += h_s * mean.sense_w;
  // The charge as booked is the charge that the battery got: what the correction added to the mean current.
  next_[Slot::kNetAh] += h_s / 3600.0 * mean.battery_a;
  const double later_s = h_s * (mean.battery_a - mean_battery_a_);
  const Battery& battery = system_->parts().battery;
  next_[Slot::kSoc] += later_s * battery.soc_d_main(at_.battery);
  next_[Slot::kFast] += later_s * battery.fast_d_main(at_.battery);
  next_[Slot::kUnstoredAh] += later_s / 3600.0 * (1.0 - at_.battery.stored_frac);
}

double GateStepper::sensed_start_a(SenseNode node) const {
  return node == SenseNode::kChargeCurrent ? start_.branch_a
         : node == SenseNode::kLoadCurrent ? at_.switched_a
                                           : start_.battery_a;
}

// What drives such a pin, a voltage or a current, less its start, along the corrected step.
Along GateStepper::way_of(SenseNode node, const TwoModes& two, double h_s, double bus_stage_v) const {
  const Along input = two.first_along();
  const Along bus = two.second_along();
  if (node == SenseNode::kPanelInput) return input;
  if (!is_current(node)) return bus;
  if (node == SenseNode::kChargeCurrent) {
    const double d = at_.branch.d_voltage;
    return {0.0, d * (input[1] - bus[1]), d * (input[2] - bus[2]), 0.0, bend_.branch_a, twist_.branch_a};
  }
  const bool load = node == SenseNode::kLoadCurrent;
  const double d = load ? at_.switched_d_bus : system_->battery_s();
  const double drift_a = h_s * (load ? at_.switched_a_per_s : drift_.battery_a);
  const double bend_a =
      load ? system_->point().switched_a - at_.switched_a - d * bus_stage_v - drift_a : bend_.battery_a;
  return {0.0, d * bus[1], d * bus[2], drift_a, bend_a, 0.0};
}

// Where the pins about are at the end of the trial, for the system to be evaluated there: of a node's way the start,
// mean and end as a parabola, of a current nothing, for nothing depends on such a pin.
void GateStepper::place_pins(const Vector& y, const TwoModes::Step& s, double h_s, const Excursion& input,
                             const Excursion& bus) {
  for (std::size_t i = 0; i < system_->params().sense.size(); ++i) {
    const std::size_t slot = system_->first_sense() + i;
    const SensePoint& q = pins_[i];
    followers_[i].go_over(s, h_s * q.pin_d_pin);
    const Phi<4>& phi = followers_[i].phi;
    if (q.pin_d_node == 0.0) {
      next_[slot] = y[slot] + h_s * phi[1] * q.pin_per_s;
      continue;
    }
    const SenseNode sensed = system_->parts().sense[i].node();
    const Excursion node = is_current(sensed) ? Excursion{} : sensed == SenseNode::kPanelInput ? input : bus;
    const double curved_v = 3.0 * node.end_v - 6.0 * node.mean_v;
    next_[slot] = y[slot] + h_s * (phi[1] * q.pin_per_s +
                                   q.pin_d_node * (phi[2] * (node.end_v - curved_v) + 2.0 * phi[3] * curved_v));
  }
}

// Each pin follows its node, or the current through its shunt, in closed form; what its network bends beyond that is
// the error.
double GateStepper::move_pins(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s) {
  double worst = 0.0;
  for (std::size_t i = 0; i < system_->params().sense.size(); ++i) {
    const std::size_t slot = system_->first_sense() + i;
    const SensePoint& q = pins_[i];
    const TwoModes::Follower& pin = followers_[i];
    Along& way = driven_[i];
    double rate_miss = system_->point().sense[i].pin_per_s - q.pin_per_s - q.pin_d_pin * (next_[slot] - y[slot]);
    double followed = 0.0;
    if (q.pin_d_node == 0.0) {
      way = {};
    } else {
      const SenseNode sensed = system_->parts().sense[i].node();
      const std::size_t node = sensed == SenseNode::kPanelInput ? Slot::kInput : Slot::kBus;
      double stage = next_[node] - y[node];
      way = way_of(sensed, two, h_s, stage);
      if (is_current(sensed)) stage = system_->sensed_a(sensed) - sensed_start_a(sensed);
      rate_miss -= q.pin_d_node * stage;
      followed = q.pin_d_node * Gram::dot(pin.led_by(s), way);
    }
    missed_v_per_s_[i] = rate_miss;
    const double more_v = h_s * 2.0 * pin.phi[3] * rate_miss;
    worst = std::max(worst, std::abs(more_v) * inverse_tolerance_[slot]);
    next_[slot] = y[slot] + h_s * (pin.phi[1] * q.pin_per_s + followed) + more_v;
  }
  return worst;
}

double GateStepper::move_filaments(const Vector& y, double h_s) {
  double worst = 0.0;
  for (std::size_t i = Slot::kFirstLoad; i < system_->first_sense(); ++i) {
    const double more = 0.5 * h_s * (system_->point().loads[i - Slot::kFirstLoad].state_per_s - f_[i]);
    next_[i] = y[i] + h_s * f_[i] + more;
    worst = std::max(worst, std::abs(more) * inverse_tolerance_[i]);
  }
  return worst;
}

}  // namespace dawnrig::plant
