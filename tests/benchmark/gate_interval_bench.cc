// Benchmark: what one interval between two gate edges costs the plant, on the ridge repeater at 490 Hz.
//
//   build/<preset>/tests/benchmark/gate_interval_bench      the column CPU is per gate interval, two to a PWM cycle
#include <benchmark/benchmark.h>

#include <algorithm>
#include <cstdint>

#include "plant/circuit.h"
#include "plant/transition_memory.h"
#include "tests/plant/ridge.h"

namespace dawnrig::plant {
namespace {

constexpr Nanos kPwmPeriod{2'040'816};
constexpr Nanos kConversion{104'000};  // 13 clocks of 125 kHz

// Looks at every step as a rig does that traces.
class Watcher : public StepObserver {
 public:
  void on_step(const CircuitState& /*state*/, const Conditions& /*conditions*/, const Probes& probes) override {
    ++steps;
    benchmark::DoNotOptimize(probes);
  }
  std::int64_t steps{0};
};

// One interval per iteration, on and off by turns; the duty wanders so that no two cycles are alike.
void run(benchmark::State& bench, double input_f, bool sampled, bool probes) {
  const Circuit circuit{ridge_repeater(input_f)};
  Conditions c = ridge_forenoon();
  CircuitState state = circuit.at_rest(ridge_rested(), c);
  TransitionMemory memory{circuit.params()};
  Watcher watcher;
  StepObserver* const seen = probes ? &watcher : nullptr;
  Nanos cycle{0};
  Nanos sample{0};
  std::int64_t cycles = 0;
  for (auto _ : bench) {
    const Nanos on{kPwmPeriod.count() * (35 + cycles % 30) / 100};
    c.gate_on = !c.gate_on;
    const Nanos end = c.gate_on ? cycle + on : cycle + kPwmPeriod;
    while (sampled && sample < end) {
      if (circuit.advance(state, c, sample, seen, &memory) != AdvanceStatus::kOk)
        bench.SkipWithError("did not converge");
      sample += kConversion;
    }
    if (circuit.advance(state, c, end, seen, &memory) != AdvanceStatus::kOk) bench.SkipWithError("did not converge");
    if (c.gate_on) continue;
    cycle += kPwmPeriod;
    ++cycles;
  }
  bench.counters["steps"] = static_cast<double>(watcher.steps) / static_cast<double>(bench.iterations());
}

void whole_interval(benchmark::State& bench) {
  run(bench, static_cast<double>(bench.range(0)) * 1e-7, false, false);
}
void watched_interval(benchmark::State& bench) {
  run(bench, static_cast<double>(bench.range(0)) * 1e-7, false, true);
}
void interval_split_by_conversions(benchmark::State& bench) {
  run(bench, static_cast<double>(bench.range(0)) * 1e-7, true, false);
}
void interval_split_and_traced(benchmark::State& bench) {
  run(bench, static_cast<double>(bench.range(0)) * 1e-7, true, true);
}

BENCHMARK(whole_interval)->ArgName("input_100nF")->Arg(22)->Arg(2200);
BENCHMARK(watched_interval)->ArgName("input_100nF")->Arg(22)->Arg(2200);
BENCHMARK(interval_split_by_conversions)->ArgName("input_100nF")->Arg(22)->Arg(2200);
BENCHMARK(interval_split_and_traced)->ArgName("input_100nF")->Arg(22)->Arg(2200);

}  // namespace
}  // namespace dawnrig::plant
