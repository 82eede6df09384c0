#include <algorithm>
#include <cmath>

#include "harness/characteristic/characteristic.h"
#include "harness/characteristic/sweep_internal.h"

namespace dawnrig::characteristic {
namespace {

using base::number_text;

/// A battery in a bath at one temperature, on a supply with a current limit and a voltage limit.
class BatteryOnTheBench {
 public:
  BatteryOnTheBench(const plant::BatteryParams& params, const BatterySweep& sweep, double battery_degc)
      : battery_{params}, current_a_{sweep.current_a}, limit_v_{sweep.limit_v} {
    state_.soc_frac = sweep.soc_frac.value_or(current_a_ > 0 ? 0.1 : 1.0);
    state_.battery_degc = battery_degc;
    step_s_ = 0.01 * battery_.tau_fast_s();
  }

  /// The supply's current: what was asked for, or as much as leaves the terminals at the limit.
  [[nodiscard]] double current_a(const plant::BatteryState& x) const {
    if (!limit_v_) return current_a_;
    const double at_limit_a = (*limit_v_ - battery_.inner_v(x)) / ohm(x);
    return current_a_ > 0 ? std::clamp(at_limit_a, 0.0, current_a_) : current_a_;
  }
  [[nodiscard]] double terminal_v() const { return battery_.inner_v(state_) + ohm(state_) * current_a(state_); }
  [[nodiscard]] double current_a() const { return current_a(state_); }
  [[nodiscard]] double gassing_a() { return battery_.at(state_, current_a(), ohm(state_), scratch_).gassing_a; }
  [[nodiscard]] const plant::BatteryState& state() const { return state_; }
  [[nodiscard]] double capacity_ah() const { return battery_.capacity_ah(); }
  [[nodiscard]] double charge_ah() const { return charge_ah_; }

  /// The classical method of Runge and Kutta, a hundredth of the fast pair's time at a step.
  void advance(double span_s) {
    const int steps = std::max(1, static_cast<int>(std::ceil(span_s / step_s_)));
    const double h_s = span_s / steps;
    for (int i = 0; i < steps; ++i) {
      const plant::BatteryPoint k1 = rates(state_);
      const plant::BatteryPoint k2 = rates(moved(k1, 0.5 * h_s));
      const plant::BatteryPoint k3 = rates(moved(k2, 0.5 * h_s));
      const plant::BatteryPoint k4 = rates(moved(k3, h_s));
      const double before_a = current_a(state_);
      plant::BatteryState next = state_;
      for (const auto& [k, weight_frac] : {std::pair{&k1, 1.0 / 6}, {&k2, 1.0 / 3}, {&k3, 1.0 / 3}, {&k4, 1.0 / 6}}) {
        add(next, *k, weight_frac * h_s);
      }
      state_ = next;
      charge_ah_ += 0.5 * (before_a + current_a(state_)) * h_s / 3600;
    }
  }

 private:
  [[nodiscard]] double ohm(const plant::BatteryState& x) const {
    return battery_.series(x.soc_frac, x.battery_degc).ohm;
  }
  [[nodiscard]] plant::BatteryPoint rates(const plant::BatteryState& x) {
    return battery_.at(x, current_a(x), ohm(x), scratch_);
  }
  [[nodiscard]] plant::BatteryState moved(const plant::BatteryPoint& k, double h_s) const {
    plant::BatteryState x = state_;
    add(x, k, h_s);
    return x;
  }
  static void add(plant::BatteryState& x, const plant::BatteryPoint& k, double h_s) {
    x.soc_frac += h_s * k.soc_per_s;
    x.v_fast_v += h_s * k.fast_per_s;
    x.v_slow_v += h_s * k.slow_per_s;
    x.hysteresis_frac += h_s * k.hysteresis_per_s;
  }

  plant::Battery battery_;
  double current_a_;
  std::optional<double> limit_v_;
  double step_s_{};
  plant::BatteryState state_;
  plant::BatteryScratch scratch_;
  double charge_ah_{0};
};

/// A charge ends when its current has fallen to the tail, a discharge when its voltage has; both when time is up.
bool over(const BatteryOnTheBench& bench, const BatterySweep& sweep) {
  if (sweep.current_a > 0) return sweep.limit_v && bench.current_a() <= sweep.tail_frac * sweep.current_a;
  return bench.state().soc_frac <= 0 || (sweep.limit_v && bench.terminal_v() <= *sweep.limit_v);
}

}  // namespace

Characteristic battery_run(const profile::SiteProfile& site, const BatterySweep& sweep) {
  demand("current-a", sweep.current_a, -1e5, 1e5);
  demand("battery-degc", sweep.battery_degc, -60, 90);
  demand("for-s", sweep.for_s, 1, 1e8);
  demand("every-s", sweep.every_s, 0.01, sweep.for_s);
  demand("tail-frac", sweep.tail_frac, 0, 1);
  if (sweep.soc_frac) demand("soc-frac", *sweep.soc_frac, 0, 1);
  if (sweep.limit_v) demand("limit-v", *sweep.limit_v, 0.1, 1000);
  Characteristic table;
  const char* what = sweep.current_a > 0 ? "Charge" : sweep.current_a < 0 ? "Discharge" : "Rest";
  table.title = std::string{what} + " of the battery of " + site.name;
  table.columns = {{"hold_degc", "held temperature, °C"},       {"time_s", "time, s", true},
                   {"terminal_v", "terminal voltage, V", true}, {"battery_a", "current, A (charging above zero)", true},
                   {"soc_frac", "state of charge", true},       {"gassing_a", "gassing current, A"},
                   {"charge_ah", "charge since the start, Ah"}};
  for (const double battery_degc : sweep.battery_degc) {
    BatteryOnTheBench bench{site.battery, sweep, battery_degc};
    Branch branch{"battery at " + number_text(battery_degc) + " °C", {}};
    double time_s = 0;
    for (long long i = 0;; ++i) {
      branch.rows.push_back({battery_degc, time_s, bench.terminal_v(), bench.current_a(), bench.state().soc_frac,
                             bench.gassing_a(), bench.charge_ah()});
      if (time_s >= sweep.for_s || (i > 0 && over(bench, sweep))) break;
      const double next_s = std::min(sweep.for_s, static_cast<double>(i + 1) * sweep.every_s);
      bench.advance(next_s - time_s);
      time_s = next_s;
    }
    table.remarks.push_back(branch.label + ": after " + number_text(time_s, 1) + " s " +
                            number_text(bench.terminal_v(), 3) + " V, " + number_text(bench.current_a(), 3) + " A, " +
                            number_text(bench.charge_ah(), 3) + " Ah, state of charge " +
                            number_text(bench.state().soc_frac, 4));
    table.branches.push_back(std::move(branch));
  }
  return table;
}

}  // namespace dawnrig::characteristic
