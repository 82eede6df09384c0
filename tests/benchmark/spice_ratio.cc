// Benchmark: the plant against the packaged circuit simulator on the same circuit, the series stage at 490 Hz.
//
//   build/<preset>/tests/benchmark/spice_ratio      one `name value unit` per line
//
// Both are asked for the same thing: every cycle's mean voltages and currents and the voltages at its edges, within
// what tests/plant/ngspice_series_test.cc demands. The circuit simulator gets the longest step with which it still
// agrees.
#include <gtest/gtest.h>
#include <sys/resource.h>
#include <time.h>

#include <cmath>
#include <cstddef>
#include <cstdio>

#include "plant/transition_memory.h"
#include "tests/plant/ridge.h"
#include "tests/plant/spice_bench.h"

namespace dawnrig::plant {
namespace {

SwitchingRun series_stage(int cycles, double longest_step_s) {
  SwitchingRun run;
  run.params = ridge_repeater();
  run.params.loads.clear();
  run.params.sense.clear();
  run.cycles = cycles;
  run.longest_step_s = longest_step_s;
  return run;
}

double children_s() {
  rusage usage{};
  getrusage(RUSAGE_CHILDREN, &usage);
  return static_cast<double>(usage.ru_utime.tv_sec) + 1e-6 * static_cast<double>(usage.ru_utime.tv_usec);
}
double own_s() {
  timespec now{};
  clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

// The longest of these steps with which the simulator comes as close as the tests ask.
double longest_step_s() {
  for (const double step_s : {1e-4, 5e-5, 2e-5, 1e-5, 5e-6, 2e-6, 1e-6}) {
    const auto plant = by_plant(series_stage(5, step_s));
    const auto spice = by_spice(series_stage(5, step_s));
    const double most_v = 2.0 * 2e-3;  // 2 mV per 12 V
    bool close = plant.size() == spice.size();
    for (std::size_t i = 0; close && i < plant.size(); ++i) {
      const CycleFigures& a = plant[i];
      const CycleFigures& b = spice[i];
      close = std::abs(a.mean_terminal_v - b.mean_terminal_v) < most_v &&
              std::abs(a.end_on_terminal_v - b.end_on_terminal_v) < most_v &&
              std::abs(a.end_off_terminal_v - b.end_off_terminal_v) < most_v &&
              std::abs(a.end_on_input_v - b.end_on_input_v) < most_v &&
              std::abs(a.end_off_input_v - b.end_off_input_v) < most_v &&
              std::abs(a.mean_battery_a / b.mean_battery_a - 1.0) < 5e-3 &&
              std::abs(a.mean_panel_a / b.mean_panel_a - 1.0) < 5e-3;
    }
    if (close) return step_s;
  }
  return 5e-7;
}

// Processor time per simulated cycle; starting the program and reading the circuit are not held against it.
double spice_cycle_s(double step_s) {
  constexpr int kFew = 20;
  constexpr int kMany = 220;
  const double start_s = children_s();
  (void)by_spice(series_stage(kFew, step_s));
  const double middle_s = children_s();
  (void)by_spice(series_stage(kMany, step_s));
  return (children_s() - middle_s - (middle_s - start_s)) / (kMany - kFew);
}

double plant_cycle_s(bool remembers) {
  constexpr int kCycles = 30000;
  constexpr Nanos kPeriod{2'040'816};
  const Circuit circuit{series_stage(1, 1e-6).params};
  TransitionMemory memory{circuit.params()};
  Conditions c = ridge_forenoon();
  CircuitState state = circuit.at_rest(ridge_rested(), c);
  const double start_s = own_s();
  for (int i = 0; i < kCycles; ++i) {
    for (const bool gate : {true, false}) {
      c.gate_on = gate;
      const Nanos end = i * kPeriod + (gate ? kPeriod / 2 : kPeriod);
      if (circuit.advance(state, c, end, nullptr, remembers ? &memory : nullptr) != AdvanceStatus::kOk) return 1e9;
    }
  }
  return (own_s() - start_s) / kCycles;
}

void print_rows() {
  constexpr double kStepOfTestsS = 5e-7;
  const double cycle_s = plant_cycle_s(true);
  std::printf("plant_over_ngspice %.4g ratio\n", spice_cycle_s(kStepOfTestsS) / cycle_s);
  const double step_s = longest_step_s();
  const double spice_s = spice_cycle_s(step_s);
  std::printf("plant_over_ngspice_at_its_longest_step %.4g ratio\n", spice_s / cycle_s);
  std::printf("plant_without_memory_over_ngspice_at_its_longest_step %.4g ratio\n", spice_s / plant_cycle_s(false));
  std::printf("ngspice_longest_step_ns %.4g ns\n", 1e9 * step_s);
}

}  // namespace
}  // namespace dawnrig::plant

int main(int argc, char** argv) {
  ::testing::InitGoogleTest(&argc, argv);  // what it is compared with reports its failures as a test does
  ::testing::GTEST_FLAG(throw_on_failure) = true;
  dawnrig::plant::print_rows();
}
