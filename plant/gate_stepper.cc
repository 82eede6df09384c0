#include "plant/gate_stepper.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "plant/backward_euler.h"

namespace dawnrig::plant {
namespace {

// With the gate at rest nothing else ends a step. In bulk the bus is then right to 0.3 uV; steps of 20 ms miss 1 uV,
// and straight lines between their ends 4.
constexpr double kLongestSpanS = 10e-3;
constexpr double kFirstStepS = 1e-6;
constexpr double kMostGrowth = 40.0;
// Lets the step after one of last resort be three times as long.
constexpr double kOfLastResort = 1e-2;
constexpr double kOfSlowestRate = 0.3;
// The miss is looked for at the end of a step only: a mode that has far to go is not stepped over unseen. The same
// keeps what is drawn straight between two steps close to the curve.
constexpr double kMostOfModes = 1.5;
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

double GateStepper::longest_span_s(const CircuitSystem& system) {
  if (!system.plain_series()) return 0.0;
  const Battery& b = system.parts().battery;
  const double slowest_s = std::min(b.tau_fast_s(), b.thermal_resistance_k_per_w() * b.heat_capacity_j_per_k());
  return std::min(kLongestSpanS, kOfSlowestRate * slowest_s);
}

bool GateStepper::suits(const CircuitSystem& system, double span_s) {
  return system.plain_series() && span_s <= longest_span_s(system);
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
void GateStepper::stand_at_end(Vector& y, bool near) {
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

bool GateStepper::begin(const Vector& y) {
  if (near_) {
    system_->state_rates_near(point_y_, y, f_);
  } else if (!system_->state_rates(y, f_)) {
    return false;
  }
  note_start();
  return true;
}

void GateStepper::note_start() {
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

TwoModes GateStepper::modes() const {
  return TwoModes{nodes_,
                  {f_[Slot::kInput], f_[Slot::kBus]},
                  {drift_.panel_a * nodes_.first.per_f, -(drift_.battery_a + drift_.load_a) * nodes_.second.per_f}};
}

void GateStepper::tell_ways(PinWays& ways) const {
  ways.begin(length_s_, forces_);
  for (std::size_t i = 0; i < system_->params().sense.size(); ++i) {
    PinWays::Way& way = ways.of[i];
    way.missed_v_per_s = missed_v_per_s_[i];
    way.start = pins_[i];  // nothing has been looked at since the step began
    way.driven = driven_[i];
  }
}

// The proposed step in whole nanoseconds; two equal ones rather than a full and a tiny one at the end.
Nanos GateStepper::choose(const TwoModes& two, Nanos left) {
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

bool GateStepper::finite(const Vector& y) const {
  double even = 0.0;  // not-a-number and infinity survive multiplication by zero
  double odd = 0.0;
  for (std::size_t i = 0; i < CircuitSystem::kMostUnknowns; i += 2) {
    even += 0.0 * y[i];
    odd += 0.0 * y[i + 1];
  }
  return even + odd == 0.0;
}

}  // namespace dawnrig::plant
