// Plant: the buck stage against a circuit simulator at 31 kHz: continuous and discontinuous conduction, with a diode
// and with either kind of transistor to freewheel through.
#include <gtest/gtest.h>

#include <string>

#include "ridge.h"
#include "spice_bench.h"

namespace dawnrig::plant {
namespace {

SwitchingRun buck(Freewheel freewheel) {
  SwitchingRun run;
  run.params = ridge_repeater(220e-6);
  BuckParams b;
  b.freewheel = freewheel;
  run.params.stage.topology = b;
  run.params.loads.clear();
  run.params.sense.clear();
  run.frequency_hz = 31'250.0;
  run.cycles = 40;
  run.longest_step_s = 5e-8;
  return run;
}

std::vector<SwitchingRun> in_all_freewheels(double poa_wpm2, double duty_frac) {
  std::vector<SwitchingRun> runs;
  for (const Freewheel freewheel : {Freewheel::kDiode, Freewheel::kUntilZero, Freewheel::kComplementary}) {
    runs.push_back(buck(freewheel));
    runs.back().poa_wpm2 = poa_wpm2;
    runs.back().duty_frac = duty_frac;
  }
  return runs;
}

TEST(NgspiceBuck, AgreesInContinuousConduction) {
  hold("buck stage, continuous, 3 runs of 40 cycles", in_all_freewheels(1000.0, 0.75));
}

TEST(NgspiceBuck, AgreesInDiscontinuousConduction) {
  hold("buck stage, discontinuous, 3 runs of 40 cycles", in_all_freewheels(100.0, 0.2));
}

// From almost always off, where the panel stands at its open circuit, to always on, where the choke rings with the
// input capacitor: mean currents pass through zero there, so that shares are of at least a hundredth of the panel's.
TEST(NgspiceBuck, AgreesFromFiveToAHundredPerCentDutyWithASmallAndALargeInputCapacitor) {
  std::vector<SwitchingRun> runs;
  for (const double input_f : {100e-6, 470e-6}) {
    for (const double poa_wpm2 : {1000.0, 100.0}) {
      for (const double duty : {0.05, 0.4, 1.0}) {
        runs.push_back(buck(duty == 0.4 ? Freewheel::kUntilZero : Freewheel::kDiode));
        runs.back().params.stage.input_capacitance_f = input_f;
        runs.back().poa_wpm2 = poa_wpm2;
        runs.back().duty_frac = duty;
        runs.back().cycles = duty == 1.0 ? 7 : 12;  // always on: until the choke's current has first come to rest
        runs.back().least_frac = 1e-2;
      }
    }
  }
  hold("buck stage, 12 runs of 7 or 12 cycles, 5 to 100 %", runs);
}

TEST(NgspiceBuck, AgreesWithoutABlockingDiode) {
  std::vector<SwitchingRun> runs = in_all_freewheels(1000.0, 0.7);
  for (SwitchingRun& run : runs) std::get<BuckParams>(run.params.stage.topology).blocks_reverse = false;
  hold("buck stage without blocking diode, 3 runs of 40 cycles", runs);
}

TEST(NgspiceBuck, AgreesThroughALoadStep) {
  SwitchingRun run = buck(Freewheel::kUntilZero);
  run.params.loads.push_back({ResistiveParams{2.5}, true});
  run.duty_frac = 0.7;
  run.load_step_s = 20.3 / 31'250.0;
  hold("buck stage, step of 10 A", {run});
}

}  // namespace
}  // namespace dawnrig::plant
