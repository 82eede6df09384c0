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
  WorstMiss worst;
  for (const double input_f : {2.2e-6, 220e-6}) {
    for (const double frequency_hz : {490.0, 977.0}) {
      for (const double poa_wpm2 : {1000.0, 100.0}) {
        for (const double duty : {0.05, 0.3, 0.6, 0.95, 1.0}) {
          SwitchingRun run = series(input_f);
          run.frequency_hz = frequency_hz;
          run.poa_wpm2 = poa_wpm2;
          run.duty_frac = duty;
          const WorstMiss miss = worst_miss(run);
          expect_close(miss, words(run));
          worst = worse(worst, miss);
        }
      }
    }
  }
  print("series stage, 40 runs of 5 cycles", worst);
}

TEST(NgspiceSeries, AgreesCycleByCycleThroughALoadStep) {
  for (const double input_f : {2.2e-6, 220e-6}) {
    SwitchingRun run = series(input_f);
    run.params.loads.push_back({ResistiveParams{2.5}, true});
    run.duty_frac = 0.5;
    run.cycles = 12;
    run.load_step_s = 3.3 / 490.0;
    const WorstMiss miss = worst_miss(run);
    expect_close(miss, words(run));
    print("series stage, step of 10 A", miss);
  }
}

}  // namespace
}  // namespace dawnrig::plant
