// Plant: the shunt stage against a circuit simulator, at the tolerances of the series stage.
#include <gtest/gtest.h>

#include <string>

#include "ridge.h"
#include "spice_bench.h"

namespace dawnrig::plant {
namespace {

SwitchingRun shunt(double input_f) {
  SwitchingRun run;
  run.params = ridge_repeater(input_f);
  run.params.stage.topology = ShuntPwmParams{};
  run.params.loads.clear();
  run.params.sense.clear();
  return run;
}

// The gate shorts the panel: at full duty the battery gets nothing.
TEST(NgspiceShunt, AgreesOnEveryCycleOfAShortedPanelInBrightAndWeakSun) {
  WorstMiss worst;
  for (const double input_f : {100e-9, 10e-6}) {
    for (const double poa_wpm2 : {1000.0, 100.0}) {
      for (const double duty : {0.05, 0.5, 0.95}) {
        SwitchingRun run = shunt(input_f);
        run.poa_wpm2 = poa_wpm2;
        run.duty_frac = duty;
        const WorstMiss miss = worst_miss(run);
        expect_close(miss, words(run));
        worst = worse(worst, miss);
      }
    }
  }
  print("shunt stage, 12 runs of 5 cycles", worst);
}

TEST(NgspiceShunt, AgreesCycleByCycleThroughALoadStep) {
  SwitchingRun run = shunt(100e-9);
  run.params.loads.push_back({ResistiveParams{2.5}, true});
  run.cycles = 10;
  run.load_step_s = 3.3 / 490.0;
  const WorstMiss miss = worst_miss(run);
  expect_close(miss, words(run));
  print("shunt stage, step of 10 A", miss);
}

}  // namespace
}  // namespace dawnrig::plant
