// Tests of the plant: a battery alone on a test bench, charged and discharged by the ampere, with a voltage limit.
#pragma once

#include <cmath>
#include <cstdio>
#include <limits>

#include "plant/battery/battery.h"

namespace dawnrig::plant {

/// Integrates Battery::at by the classical Runge-Kutta method of order 4, apart from the circuit and its solvers.
class BatteryBench {
 public:
  explicit BatteryBench(const BatteryParams& p, double soc_frac = 1.0, double degc = 25.0)
      : battery{p}, ambient_degc{degc} {
    x.soc_frac = soc_frac;
    x.battery_degc = degc;
  }

  /// The terminal voltage at a current, now.
  [[nodiscard]] double terminal_v(double charge_a) const {
    return battery.inner_v(x) + battery.series(x.soc_frac, x.battery_degc).ohm * charge_a;
  }
  /// What flows if the charger gives most_a, up to limit_v.
  [[nodiscard]] double limited_a(double most_a, double limit_v, const BatteryState& y) const {
    return std::fmin(most_a, (limit_v - battery.inner_v(y)) / battery.series(y.soc_frac, y.battery_degc).ohm);
  }

  void run(double charge_a, double for_s, double step_s = 0.5,
           double limit_v = std::numeric_limits<double>::infinity()) {
    const int steps = static_cast<int>(std::ceil(for_s / step_s - 1e-9));
    const double h = for_s / steps;
    for (int i = 0; i < steps; ++i) {
      const Rates a = rates(x, charge_a, limit_v);
      const Rates b = rates(moved(a, 0.5 * h), charge_a, limit_v);
      const Rates c = rates(moved(b, 0.5 * h), charge_a, limit_v);
      const Rates d = rates(moved(c, h), charge_a, limit_v);
      Rates mean;
      for (int k = 0; k < kSums; ++k) mean.of[k] = (a.of[k] + 2.0 * (b.of[k] + c.of[k]) + d.of[k]) / 6.0;
      x = moved(mean, h);
      in_ah += h / 3600.0 * std::fmax(mean.of[5], 0.0);
      out_ah += h / 3600.0 * std::fmax(-mean.of[5], 0.0);
      gas_ah += h / 3600.0 * mean.of[6];
      unstored_ah += h / 3600.0 * mean.of[7];
      last_a = mean.of[5];
    }
  }

  Battery battery;
  BatteryState x;
  double ambient_degc;
  bool held_warm{true};  ///< at its temperature
  double in_ah{0.0}, out_ah{0.0}, gas_ah{0.0}, unstored_ah{0.0};
  double last_a{0.0};

 private:
  static constexpr int kSums = 8;
  struct Rates {
    double of[kSums]{};
  };
  [[nodiscard]] Rates rates(const BatteryState& y, double charge_a, double limit_v) {
    const double a = limited_a(charge_a, limit_v, y);
    const BatteryPoint q = battery.at(y, a, battery.series(y.soc_frac, y.battery_degc).ohm, scratch_);
    const double out_w = (y.battery_degc - ambient_degc) / battery.thermal_resistance_k_per_w();
    return {{q.soc_per_s, q.fast_per_s, q.slow_per_s,
             held_warm ? 0.0 : (q.heating_w - out_w) / battery.heat_capacity_j_per_k(), q.hysteresis_per_s, a,
             q.gassing_a, q.unstored_a}};
  }
  [[nodiscard]] BatteryState moved(const Rates& r, double h) const {
    return {x.soc_frac + h * r.of[0], x.v_fast_v + h * r.of[1], x.v_slow_v + h * r.of[2], x.battery_degc + h * r.of[3],
            x.hysteresis_frac + h * r.of[4]};
  }

  BatteryScratch scratch_;
};

/// A residual, for plant/README.md to repeat.
inline void print_residual(const char* what, double value, const char* unit) {
  std::printf("residual: %s: %.3g %s\n", what, value, unit);
}

}  // namespace dawnrig::plant
