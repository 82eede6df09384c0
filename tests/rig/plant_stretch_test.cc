#include "harness/rig/plant_stretch.h"

#include <gtest/gtest.h>

#include <chrono>
#include <cstdint>
#include <optional>
#include <vector>

#include "harness/rig/plant_failure.h"
#include "harness/rig/plant_sample.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

/// Every figure another one, so that none can be taken for its neighbour.
plant::Probes probes_from(double first) {
  plant::Probes probes;
  double next = first;
  for (double* figure :
       {&probes.panel_v, &probes.panel_a, &probes.bus_v, &probes.terminal_v, &probes.battery_a, &probes.stage_degc,
        &probes.load_v, &probes.load_a, &probes.poa_wpm2, &probes.cell_degc, &probes.battery_degc, &probes.soc_frac,
        &probes.gassing_a, &probes.sense_v[0], &probes.sense_v[1], &probes.sense_v[2], &probes.sense_v[3]}) {
    *figure = next;
    next += 1.0;
  }
  return probes;
}

/// Steps of equal length, each figure higher by 100 than at the step before.
class Rising final : public plant::Stretch {
 public:
  Rising(Nanos from, Nanos step, std::size_t steps) : from_{from}, step_{step}, steps_{steps} {}
  [[nodiscard]] Nanos from() const override { return from_; }
  [[nodiscard]] const plant::Probes& lowest() const override { return lowest_; }
  [[nodiscard]] const plant::Probes& highest() const override { return highest_; }
  [[nodiscard]] const plant::Probes& mean() const override { return mean_; }
  [[nodiscard]] std::size_t steps() const override { return steps_; }
  [[nodiscard]] Nanos end_of(std::size_t step) const override {
    return from_ + step_ * static_cast<std::int64_t>(step + 1);
  }
  [[nodiscard]] plant::Probes at_end_of(std::size_t step) const override {
    ++asked_;
    return probes_from(100.0 * static_cast<double>(step + 1));
  }
  [[nodiscard]] int asked() const { return asked_; }

 private:
  Nanos from_, step_;
  std::size_t steps_;
  plant::Probes lowest_{probes_from(0.0)};
  plant::Probes highest_{probes_from(100.0 * static_cast<double>(steps_))};
  plant::Probes mean_{probes_from(50.0 * static_cast<double>(steps_))};
  mutable int asked_{0};
};

struct Taken {
  Taken() {
    conditions.gate_on = true;
    conditions.load_switch_on = true;
    fill_sample(end, 1400ns, conditions, probes_from(400.0), false);
    end[Signal::kFault] = 1.0;
    told.take(rising, conditions, end, false);
  }
  /// What a sink would see of these probes, told at `time`.
  [[nodiscard]] trace::Sample shown(const plant::Probes& probes, Nanos time = 0ns) const {
    trace::Sample sample;
    fill_sample(sample, time, conditions, probes, false);
    sample[Signal::kFault] = 1.0;
    return sample;
  }
  Rising rising{1000ns, 100ns, 4};
  plant::Conditions conditions;
  trace::Sample end;
  PlantStretch told;
};

TEST(PlantStretch, ShowsEachFigureOfThePlantAsTheSignalThatItIs) {
  const Taken taken;
  EXPECT_EQ(taken.told.from(), 1000ns);
  EXPECT_EQ(taken.told.end().time, 1400ns);
  EXPECT_EQ(taken.told.end().value, taken.end.value);
  EXPECT_EQ(taken.told.steps(), 4U);
  EXPECT_EQ(taken.told.lowest(), taken.shown(probes_from(0.0)).value);
  EXPECT_EQ(taken.told.highest(), taken.shown(probes_from(400.0)).value);
  EXPECT_EQ(taken.told.mean(), taken.shown(probes_from(200.0)).value);
}

TEST(PlantStretch, HoldsTheSwitchesAndTheFaultOutput) {
  const Taken taken;
  for (const trace::Stretch::Values& figures : {taken.told.lowest(), taken.told.highest(), taken.told.mean()}) {
    EXPECT_EQ(figures[static_cast<std::size_t>(Signal::kGate)], 0.0) << "a shunt stage: it shorts the panel";
    EXPECT_EQ(figures[static_cast<std::size_t>(Signal::kLoadSwitch)], 1.0);
    EXPECT_EQ(figures[static_cast<std::size_t>(Signal::kFault)], 1.0);
  }
  for (const trace::Sample& sample : taken.told.samples()) EXPECT_EQ(sample[Signal::kFault], 1.0);
}

TEST(PlantStretch, WorksItsStepsOutOnlyWhenASinkAsksAndOnceForAll) {
  Taken taken;
  EXPECT_EQ(taken.rising.asked(), 0);
  const std::span<const trace::Sample> samples = taken.told.samples();
  ASSERT_EQ(samples.size(), 4U);
  for (std::size_t i = 0; i < 4; ++i) {
    EXPECT_EQ(samples[i].time, taken.rising.end_of(i));
    EXPECT_EQ(samples[i].value, taken.shown(probes_from(100.0 * static_cast<double>(i + 1))).value) << "step " << i;
  }
  static_cast<void>(taken.told.samples());
  EXPECT_EQ(taken.rising.asked(), 3) << "the end is known";
  const Rising next{1400ns, 50ns, plant::Stretch::kMostSteps};
  taken.told.take(next, taken.conditions, taken.end, false);
  EXPECT_EQ(taken.told.samples().size(), plant::Stretch::kMostSteps) << "of the stretch before";
  EXPECT_EQ(taken.told.samples()[0].time, 1450ns);
}

/// When a budget is spent if `steps` steps of equal length are told `at_once` by `at_once`: in the how manieth telling.
std::optional<std::size_t> spent_in(std::int64_t most_per_s, Nanos step, std::size_t tellings, std::size_t at_once,
                                    bool whole) {
  StepBudget budget{most_per_s};
  Nanos now{0};
  for (std::size_t k = 0; k < tellings; ++k) {
    const Rising stretch{now, step, at_once};
    try {
      if (whole) {
        budget.count(stretch);
      } else {
        for (std::size_t i = 0; i < at_once; ++i) budget.count(stretch.end_of(i));
      }
    } catch (const StepBudget::Spent&) {
      return k;
    }
    now = stretch.end_of(at_once - 1);
  }
  return std::nullopt;
}

TEST(StepBudget, IsSpentByAStretchAsByItsSteps) {
  for (const std::size_t at_once : {1U, 7U, 32U}) {
    for (const Nanos step : {Nanos{1us}, Nanos{10us}, Nanos{1ms}, Nanos{30ms}}) {
      for (const std::int64_t most_per_s : {30, 33, 34, 999, 1000, 1001, 5000, 99'999, 100'001}) {
        EXPECT_EQ(spent_in(most_per_s, step, 5000, at_once, true), spent_in(most_per_s, step, 5000, at_once, false))
            << at_once << " steps of " << step.count() << " ns at once, " << most_per_s << " allowed per second";
      }
    }
  }
  EXPECT_FALSE(spent_in(1001, 1ms, 5000, 7, true)) << "a thousand steps in each second";
  EXPECT_TRUE(spent_in(990, 1ms, 5000, 7, true));
}

}  // namespace
}  // namespace dawnrig::rig
