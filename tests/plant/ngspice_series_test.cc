// Plant: the series stage against a circuit simulator: mean voltages and currents of each PWM cycle and the voltages at
// the end of its on and off phases. Left out: the peaks within the first microseconds of an edge, which in a real board
// are made by parasitic inductance that neither side has.
#include <gtest/gtest.h>

#include <string>

#include "ridge.h"
#include "spice_bench.h"

namespace dawnrig::plant {
namespace {

SwitchingRun series(double input_f) {
  SwitchingRun run;
  run.params = ridge_repeater(input_f);
  run.params.loads.clear();
  run.params.sense.clear();
  return run;
}

TEST(NgspiceSeries, AgreesOnEveryCycleFromFiveToAHundredPerCentDutyInBrightAndWeakSun) {
  std::vector<SwitchingRun> runs;
  for (const double input_f : {2.2e-6, 220e-6}) {
    for (const double frequency_hz : {490.0, 977.0}) {
      for (const double poa_wpm2 : {1000.0, 100.0}) {
        for (const double duty : {0.05, 0.3, 0.6, 0.95, 1.0}) {
          runs.push_back(series(input_f));
          runs.back().frequency_hz = frequency_hz;
          runs.back().poa_wpm2 = poa_wpm2;
          runs.back().duty_frac = duty;
        }
      }
    }
  }
  hold("series stage, 40 runs of 5 cycles", runs);
}

TEST(NgspiceSeries, AgreesCycleByCycleThroughALoadStep) {
  for (const double input_f : {2.2e-6, 220e-6}) {
    hold("series stage, step of 10 A", {with_a_load_step(series(input_f), 12)});
  }
}

}  // namespace
}  // namespace dawnrig::plant
