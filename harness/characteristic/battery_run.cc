#include <algorithm>
#include <cmath>

#include "harness/characteristic/battery_bench_internal.h"
#include "harness/characteristic/characteristic.h"
#include "harness/characteristic/sweep_internal.h"

namespace dawnrig::characteristic {
namespace {

using base::number_text;

/// A charge ends when its current has fallen to the tail, a discharge when its voltage has; both when time is up.
bool over(const BatteryOnTheBench& bench, const BatterySweep& sweep) {
  if (sweep.current_a > 0) return sweep.limit_v && bench.current_a() <= sweep.tail_frac * sweep.current_a;
  return bench.soc_frac() <= 0 || (sweep.limit_v && bench.terminal_v() <= *sweep.limit_v);
}

}  // namespace

Characteristic battery_run(const profile::SiteProfile& site, const BatterySweep& sweep) {
  demand("current-a", sweep.current_a, -1e5, 1e5);
  demand("battery-degc", sweep.battery_degc, -60, 90);
  demand("for-s", sweep.for_s, 1, 1e8);
  demand("every-s", sweep.every_s, std::max(0.01, sweep.for_s / kMostRows), sweep.for_s);
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
    BatteryOnTheBench bench{site.battery, sweep.current_a, sweep.limit_v,
                            sweep.soc_frac.value_or(sweep.current_a > 0 ? 0.1 : 1.0), battery_degc};
    Branch branch{"battery at " + number_text(battery_degc) + " °C", {}};
    double time_s = 0;
    for (long long i = 0;; ++i) {
      branch.rows.push_back({battery_degc, time_s, bench.terminal_v(), bench.current_a(), bench.soc_frac(),
                             bench.gassing_a(), bench.charge_ah()});
      if (time_s >= sweep.for_s || (i > 0 && over(bench, sweep))) break;
      const double next_s = std::min(sweep.for_s, static_cast<double>(i + 1) * sweep.every_s);
      bench.advance(next_s - time_s);
      time_s = next_s;
    }
    table.remarks.push_back(branch.label + ": after " + number_text(time_s, 1) + " s " +
                            number_text(bench.terminal_v(), 3) + " V, " + number_text(bench.current_a(), 3) + " A, " +
                            number_text(bench.charge_ah(), 3) + " Ah, state of charge " +
                            number_text(bench.soc_frac(), 4));
    table.branches.push_back(std::move(branch));
  }
  return table;
}

}  // namespace dawnrig::characteristic
