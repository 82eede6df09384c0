// Plant: the series stage against a circuit simulator: mean voltages and currents of each PWM cycle and the voltages at
// the end of its on and off phases. Left out: the peaks within the first microseconds of an edge, which in a real board
// are made by parasitic inductance that neither side has.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
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

std::string words(const SwitchingRun& run) {
  return std::to_string(run.frequency_hz) + " Hz, " + std::to_string(run.params.stage.input_capacitance_f * 1e6) +
         " uF, duty " + std::to_string(run.duty_frac) + ", " + std::to_string(run.poa_wpm2) + " W/m2";
}

void print(const char* what, const WorstMiss& worst) {
  std::printf("%s: terminal %.3f mV and input %.3f mV per 12 V, battery current %.4f %%, panel current %.4f %%\n", what,
              1e3 * worst.terminal_v, 1e3 * worst.input_v, 100.0 * worst.battery_frac, 100.0 * worst.panel_frac);
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
          EXPECT_LT(miss.terminal_v, 2e-3) << words(run);
          EXPECT_LT(miss.input_v, 2e-3) << words(run);
          EXPECT_LT(miss.battery_frac, 5e-3) << words(run);
          EXPECT_LT(miss.panel_frac, 5e-3) << words(run);
          worst.terminal_v = std::max(worst.terminal_v, miss.terminal_v);
          worst.input_v = std::max(worst.input_v, miss.input_v);
          worst.battery_frac = std::max(worst.battery_frac, miss.battery_frac);
          worst.panel_frac = std::max(worst.panel_frac, miss.panel_frac);
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
    EXPECT_LT(miss.terminal_v, 5e-3) << words(run);
    EXPECT_LT(miss.battery_frac, 5e-3) << words(run);
    print("series stage, step of 10 A", miss);
  }
}

}  // namespace
}  // namespace dawnrig::plant
