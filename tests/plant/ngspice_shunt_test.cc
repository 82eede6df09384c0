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
  std::vector<SwitchingRun> runs;
  for (const double input_f : {100e-9, 10e-6}) {
    for (const double poa_wpm2 : {1000.0, 100.0}) {
      for (const double duty : {0.05, 0.5, 0.95}) {
        runs.push_back(shunt(input_f));
        runs.back().poa_wpm2 = poa_wpm2;
        runs.back().duty_frac = duty;
      }
    }
  }
  hold("shunt stage, 12 runs of 5 cycles", runs);
}

TEST(NgspiceShunt, AgreesCycleByCycleThroughALoadStep) {
  hold("shunt stage, step of 10 A", {with_a_load_step(shunt(100e-9), 10)});
}

}  // namespace
}  // namespace dawnrig::plant
