#include "plant/gate_stepper.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "plant/backward_euler.h"

namespace dawnrig::plant {
namespace {

constexpr double kLongestSpanS = 5e-3;
constexpr double kFirstStepS = 1e-6;
constexpr double kMostGrowth = 40.0;
// Lets the step after one of last resort be three times as long.
constexpr double kOfLastResort = 1e-2;
constexpr double kOfSlowestRate = 0.3;
// The miss is looked for at the end of a step only: a mode that has far to go is not stepped over unseen. The same
// keeps what is drawn straight between two steps close to the curve.
constexpr double kMostOfModes = 1.5;
// Panel and branch bend over volts and tens of millivolts.
constexpr double kFlatV = 0.01;
constexpr double kFlatAcrossV = 3e-4;
constexpr double kFarInputV = 0.1;
constexpr double kFarBusV = 0.01;
// Of the error allowed. The straight lines that then lead from one evaluation to the next miss the square of it.
constexpr double kHardlyAny = 0.02;

double growth(double miss, double most) {
  if (miss < 1e-7) return most;
  return std::clamp(0.9 / std::sqrt(std::sqrt(miss)), 0.03, most);
}

}  // namespace

GateStepper::GateStepper(CircuitSystem& system, const Vector& inverse_tolerance, double hint_s)
    : system_{&system},
      inverse_tolerance_{inverse_tolerance},
      proposed_s_{hint_s > 0.0 ? hint_s : kFirstStepS},
      nodes_{Capacitor{system.params().stage.input_capacitance_f},
             Capacitor{system.params().stage.output_capacitance_f}, 0.0, 0.0, 0.0} {}

bool GateStepper::suits(const CircuitSystem& system, double span_s) {
  const Battery& b = system.parts().battery;
  const double slowest_s = std::min(b.tau_fast_s(), b.thermal_resistance_k_per_w() * b.heat_capacity_j_per_k());
  return system.plain_series() && span_s <= kLongestSpanS && span_s <= kOfSlowestRate * slowest_s;
}

Nanos GateStepper::step(Vector& y, Nanos left) {
  if (!looked_ && !look(y)) {
    status_ = finite(y) ? AdvanceStatus::kNotConverged : AdvanceStatus::kNotANumber;
    return Nanos{0};
  }
  const TwoModes two = modes();
  for (;;) {
    const Nanos length = choose(two, left);
    const double h = in_seconds(length);
    const bool smallest = length.count() <= 1;
    double miss = attempt(y, two, h);
    bool good = std::isfinite(miss) && finite(next_);
    const bool strayed = !good && (converged_ || !finite(next_));
    const bool near = miss < kHardlyAny;
    if (smallest && !(good && miss <= 1.0)) {
      good = backward_euler(*system_, y, h, inverse_tolerance_, next_);
      miss = kOfLastResort;
    }
    if (good && (miss <= 1.0 || smallest)) {
      const double grown = h * growth(miss, kMostGrowth);
      // A step cut short by the end of the interval says nothing against the longer one proposed before.
      proposed_s_ = std::min(cut_ ? std::max(proposed_s_, grown) : grown, kLongestSpanS);
      stand_at_end(y, near);
      return length;
    }
    if (smallest) {
      status_ = strayed ? AdvanceStatus::kNotANumber : AdvanceStatus::kNotConverged;
      return Nanos{0};
    }
    proposed_s_ = good ? h * growth(miss, 0.9) : 0.1 * h;
  }
}

bool GateStepper::forced(Vector& y, Nanos length) {
  if (!looked_ && !look(y)) return false;
  forced_ = true;
  const double miss = attempt(y, modes(), in_seconds(length));
  forced_ = false;
  if (!std::isfinite(miss) || !finite(next_)) return false;
  stand_at_end(y, miss < kHardlyAny);
  return true;
}

// y becomes next_. The system was last evaluated where the closed form alone would have led.
inline void GateStepper::stand_at_end(Vector& y, bool near) {
  y = next_;
  looked_ = false;
  near_ = near;
  point_y_[Slot::kInput] = stage_.first;
  point_y_[Slot::kBus] = stage_.second;
}

bool GateStepper::look(const Vector& y) {
  looked_ = begin(y);
  near_ = owed_ = false;
  point_y_ = y;
  return looked_;
}

void GateStepper::look_later(const Vector& y) {
  owed_ = true;
  owed_y_ = y;
}

// Whether the unknowns but for books and pins are the same.
bool GateStepper::but_for_pins(const Vector& y, const Vector& as) const {
  const auto same = [&](std::size_t from, std::size_t to) {
    return std::equal(y.begin() + from, y.begin() + to, as.begin() + from);
  };
  return same(0, Slot::kPanelJ) && same(Slot::kFirstLoad, system_->first_sense());
}

void GateStepper::go_on_from(const Vector& y) {
  status_ = AdvanceStatus::kOk;
  if (owed_ && but_for_pins(y, owed_y_)) (void)look(owed_y_);
  owed_ = false;
  near_ = looked_ && but_for_pins(y, point_y_);
  looked_ = near_ && f_[Slot::kPoa] == system_->sun_slope_wpm2_per_s() &&
            std::equal(y.begin() + system_->first_sense(), y.begin() + system_->size(),
                       point_y_.begin() + system_->first_sense());
}

inline bool GateStepper::begin(const Vector& y) {
  if (near_) {
    system_->state_rates_near(point_y_, y, f_);
  } else if (!system_->state_rates(y, f_)) {
    return false;
  }
  note_start();
  return true;
}

inline void GateStepper::note_start() {
  const CircuitPoint& q = system_->point();
  at_ = {q.panel,           q.branch, q.battery, q.quiescent, q.load_d_bus, q.input_sense_d_input,
         q.bus_sense_d_bus, 0.0,      0.0,       0.0};
  for (std::size_t i = 0; i < system_->params().sense.size(); ++i) pins_[i] = q.sense[i];
  const CircuitParts& parts = system_->parts();
  nodes_.first_s = at_.input_sense_d_input - at_.panel.d_voltage;
  nodes_.second_s = at_.bus_sense_d_bus + at_.load_d_bus + at_.quiescent.d_voltage + system_->battery_s();
  nodes_.between_s = at_.branch.d_voltage;
  start_ = {q.panel.current_a, q.branch.current_a, q.battery_a, q.load_a + q.quiescent.current_a,
            q.from_input_a,    q.from_bus_a};
  emf_v_ = at_.battery.inner_v;
  emf_drift_v_ = f_[Slot::kFast] + f_[Slot::kSlow] + at_.battery.inner_d_soc * f_[Slot::kSoc] +
                 parts.battery.hysteresis_v() * f_[Slot::kHysteresis] +
                 parts.battery.ocv_per_k_v() * f_[Slot::kBatteryDegc];
  double filaments_a = 0.0;
  double switched_a = 0.0;
  for (std::size_t i = 0; i < system_->params().loads.size(); ++i) {
    const LoadPoint& load = q.loads[i];
    (system_->params().loads[i].unswitched ? filaments_a : switched_a) += load.d_state * load.state_per_s;
  }
  drift_ = {};
  drift_.panel_a = at_.panel.d_poa * f_[Slot::kPoa] + at_.panel.d_degc * f_[Slot::kCellDegc];
  drift_.battery_a = -system_->battery_s() * emf_drift_v_;
  at_.switched_a = q.switched_a;
  at_.switched_d_bus = q.switched_d_bus;
  at_.switched_a_per_s = switched_a * q.switched_share_frac;
  drift_.load_a = filaments_a + at_.switched_a_per_s;
}

inline TwoModes GateStepper::modes() const {
  return TwoModes{nodes_,
                  {f_[Slot::kInput], f_[Slot::kBus]},
                  {drift_.panel_a * nodes_.first.per_f, -(drift_.battery_a + drift_.load_a) * nodes_.second.per_f}};
}

// The proposed step in whole nanoseconds; two equal ones rather than a full and a tiny one at the end.
inline Nanos GateStepper::choose(const TwoModes& two, Nanos left) {
  const double left_s = in_seconds(left);
  double h = proposed_s_;
  bool held = false;
  for (std::size_t m = 0; m < 2; ++m) {
    const TwoModes::Pair far = two.reach_v(m);
    const double most_s = kMostOfModes / std::abs(two.rate_per_s()[m]);
    if ((far[0] > kFarInputV || far[1] > kFarBusV) && h > most_s) {
      h = most_s;
      held = true;
    }
  }
  cut_ = h >= left_s;
  if (cut_) return left;
  if (held) return Nanos{std::max<std::int64_t>(1, static_cast<std::int64_t>(h * 1e9))};
  if (h > 0.6 * left_s) return Nanos{(left.count() + 1) / 2};
  return Nanos{std::max<std::int64_t>(1, static_cast<std::int64_t>(h * 1e9))};
}

// What panel and branch carry at next_ beyond the straight lines from the start; sun and cells are those of the start.
inline GateStepper::Currents GateStepper::missed_sharply(const Vector& y) const {
  const CircuitPoint& q = system_->point();
  const double input_v = next_[Slot::kInput] - y[Slot::kInput];
  const double across_v = input_v - (next_[Slot::kBus] - y[Slot::kBus]);
  Currents miss;
  miss.panel_a = q.panel.current_a - start_.panel_a - at_.panel.d_voltage * input_v;
  miss.branch_a = q.branch.current_a - start_.branch_a - at_.branch.d_voltage * across_v;
  return miss;
}

// And all the rest, at the end of the step.
inline GateStepper::Currents GateStepper::missed(const Vector& y, double h_s) const {
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

inline TwoModes::Pair GateStepper::nodes_per_s(const Currents& i) const {
  return {(i.panel_a - i.branch_a - i.input_sense_a) * nodes_.first.per_f,
          (i.branch_a - i.battery_a - i.load_a - i.bus_sense_a) * nodes_.second.per_f};
}

double GateStepper::attempt(const Vector& y, const TwoModes& two, double h_s) {
  TwoModes::Step s = two.over(h_s);
  const TwoModes::Pair half = two.half_way(s);
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
  const bool flat = flat_at(half) && flat_at(end);
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
  prepare_pins(h_s);
  (void)move_pins(y, h_s, {end[0] + pushed[0], mean[0] + pushed[0] / 3.0},
                  {end[1] + pushed[1], mean[1] + pushed[1] / 3.0}, false);
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
  const TwoModes::Pair twisted = two.bend(s, h_s, nodes_per_s(bend_), nodes_per_s(twist_));
  const TwoModes::Pair mildly = two.pushed(s, h_s, nodes_per_s(mild));
  worst = std::max({worst, (std::abs(twisted[0]) + std::abs(mildly[0])) * inverse_tolerance_[Slot::kInput],
                    (std::abs(twisted[1]) + std::abs(mildly[1])) * inverse_tolerance_[Slot::kBus]});
  if (!(worst <= 1.0) && h_s > 1.5e-9 && !forced_) return worst;  // also when it is not a number
  const TwoModes::Pair last_end = two.to_nodes(s.end);
  const TwoModes::Pair last_mean = two.to_nodes(s.mean);
  worst = std::max(worst, move_filaments(y, h_s));
  worst = std::max(worst, move_pins(y, h_s, {last_end[0], last_mean[0]}, {last_end[1], last_mean[1]}, true));
  next_[Slot::kInput] = y[Slot::kInput] + last_end[0];
  next_[Slot::kBus] = y[Slot::kBus] + last_end[1];
  keep_books(y, two, s, h_s);
  next_[Slot::kPoa] += h_s * f_[Slot::kPoa];
  next_[Slot::kCellDegc] += h_s * (1.0 - 0.5 * h_s / SingleDiodePanel::kThermalLagS) * f_[Slot::kCellDegc];
  return worst;
}

// By the midpoint, with the mean current. What the kink of the acceptance at zero current makes of a current that
// turns around within the step is the error.
inline double GateStepper::move_slow(const Vector& y, double mean_battery_a, double h_s) {
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
  return 0.5 * h_s * kink_per_s * std::min(std::abs(first_a), std::abs(last_a)) * inverse_tolerance_[Slot::kFast];
}

inline void GateStepper::keep_books(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s) {
  const Gram gram{s};
  const Along in = two.first_along();
  const Along out = two.second_along();
  const auto current = [&](double at_a, double d_in, double d_out, double drift_a, double bend_a, double twist_a) {
    return Along{at_a, d_in * in[1] + d_out * out[1], d_in * in[2] + d_out * out[2], h_s * drift_a, bend_a, twist_a};
  };
  const double between = at_.branch.d_voltage;
  const double load_s = at_.load_d_bus + at_.quiescent.d_voltage;
  const Along panel_a =
      current(start_.panel_a, at_.panel.d_voltage, 0.0, drift_.panel_a, bend_.panel_a, twist_.panel_a);
  const Along branch_a = current(start_.branch_a, between, -between, 0.0, bend_.branch_a, twist_.branch_a);
  const Along battery_a =
      current(start_.battery_a, 0.0, system_->battery_s(), drift_.battery_a, bend_.battery_a, twist_.battery_a);
  const Along load_a = current(start_.load_a, 0.0, load_s, drift_.load_a, bend_.load_a, twist_.load_a);
  const Along in_sense_a =
      current(start_.input_sense_a, at_.input_sense_d_input, 0.0, 0.0, bend_.input_sense_a, twist_.input_sense_a);
  const Along out_sense_a =
      current(start_.bus_sense_a, 0.0, at_.bus_sense_d_bus, 0.0, bend_.bus_sense_a, twist_.bus_sense_a);
  const Along input_v = gram.times_voltage(y[Slot::kInput], in);
  const Along bus_v = gram.times_voltage(y[Slot::kBus], out);

  const double panel_loss_w = system_->panel_cable_ohm() * gram.square(panel_a);
  const double battery_loss_w = system_->cable_ohm() * gram.square(battery_a);
  next_[Slot::kPanelJ] += h_s * (Gram::dot(input_v, panel_a) + panel_loss_w);
  next_[Slot::kWiringJ] += h_s * (panel_loss_w + battery_loss_w);
  next_[Slot::kStageJ] += h_s * (Gram::dot(input_v, branch_a) - Gram::dot(bus_v, branch_a));
  next_[Slot::kBatteryJ] += h_s * (Gram::dot(bus_v, battery_a) - battery_loss_w);
  next_[Slot::kLoadsJ] += h_s * Gram::dot(bus_v, load_a);
  next_[Slot::kSenseJ] += h_s * (Gram::dot(input_v, in_sense_a) + Gram::dot(bus_v, out_sense_a));
  // The charge as booked is the charge that the battery got: what the correction added to the mean current.
  const double mean_a = gram.mean(battery_a);
  next_[Slot::kNetAh] += h_s / 3600.0 * mean_a;
  const double later_s = h_s * (mean_a - mean_battery_a_);
  const Battery& battery = system_->parts().battery;
  next_[Slot::kSoc] += later_s * battery.soc_d_main(at_.battery);
  next_[Slot::kFast] += later_s * battery.fast_d_main(at_.battery);
  next_[Slot::kUnstoredAh] += later_s / 3600.0 * (1.0 - at_.battery.stored_frac);
}

inline bool GateStepper::finite(const Vector& y) const {
  double even = 0.0;  // not-a-number and infinity survive multiplication by zero
  double odd = 0.0;
  for (std::size_t i = 0; i < CircuitSystem::kMostUnknowns; i += 2) {
    even += 0.0 * y[i];
    odd += 0.0 * y[i + 1];
  }
  return even + odd == 0.0;
}

}  // namespace dawnrig::plant
