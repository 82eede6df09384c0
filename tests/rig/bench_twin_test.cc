// The bench as a whole, without hardware: the interface board's own firmware and the device's, in step with the host.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/rig/bench_calibrate.h"
#include "harness/rig/bench_configuration.h"
#include "harness/rig/realtime_loop.h"
#include "harness/rig/twin_differences.h"
#include "harness/rig/virtual_rig.h"
#include "harness/trace/recorder.h"
#include "tests/allocations.h"
#include "tests/rig/twin_bench.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

TEST(TwinBench, IsFoundFitAndSaysByWhat) {
  const TwinBench bench{sunny(0.9, 800.0)};
  for (const TrustLine& line : bench.rig->trust().lines) {
    std::printf("%-45s %s (%s)\n", line.what.c_str(), line.found.c_str(), line.bound.c_str());
    EXPECT_TRUE(line.fine) << line.what << ": " << line.found << ", wanted " << line.bound;
  }
  EXPECT_GE(bench.rig->trust().lines.size(), 15U);
  EXPECT_EQ(bench.rig->invalid_because(), "");
  EXPECT_NEAR(bench.rig->voltage_uncertainty_v(), 0.0005 * 115.0 / 15.0, 1e-5) << "seen at the battery";
}

std::string trust_with(const std::function<void(TwinSetup&)>& spoil) {
  TwinSetup setup = twin_setup();
  setup.board_eeprom = calibrated_cells();
  spoil(setup);
  const TwinBench bench{sunny(0.9, 800.0), {}, setup};
  std::string all = bench.rig->invalid_because().empty() ? "" : "INVALID: ";
  for (const TrustLine& line : bench.rig->trust().lines) {
    if (!line.fine) all += line.what + ": " + line.found + "; " + line.remedy + "\n";
  }
  return all;
}

TEST(TwinBench, IsNotBelievedWithAPartBrokenAndSaysWhatToDo) {
  EXPECT_NE(trust_with([](TwinSetup& s) { s.circuit.gate_1_broken = true; }).find("capture of a known pattern, gate 1"),
            std::string::npos);
  EXPECT_NE(trust_with([](TwinSetup& s) { s.circuit.zero_v[2] += 0.05; }).find("loop-back of panel"),
            std::string::npos);
  EXPECT_NE(trust_with([](TwinSetup& s) { s.circuit.dac_reference_v = 2.4; }).find("reference"), std::string::npos);
  const std::string blank = trust_with([](TwinSetup& s) { s.board_eeprom.assign(4096, 0xFF); });
  EXPECT_NE(blank.find("dawnrig bench calibrate"), std::string::npos) << blank;
  EXPECT_EQ(trust_with([](TwinSetup&) {}), "");
}

TEST(TwinBench, RepeatsBitForBit) {
  std::string hash[2];
  for (std::string& one : hash) {
    TwinBench bench{sunny(0.95, 900.0)};
    trace::Recorder recorder{{}, {}, {}};
    bench.rig->attach(recorder);
    bench.rig->schedule({4s, scenario::Sun{400.0, 300ms}});
    bench.rig->run_until(6s);
    ASSERT_EQ(bench.rig->invalid_because(), "");
    bench.rig->detach(recorder);
    one = recorder.finish(bench.rig->now(), "");
  }
  EXPECT_EQ(hash[0], hash[1]);
}

/// What both rigs are compared by, over the last seconds of a run.
class Means final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override {
    if (has_last_) {
      const double dt_s = in_seconds(sample.time - last_.time);
      bus_vs_ += 0.5 * dt_s * (sample[Signal::kBusV] + last_[Signal::kBusV]);
      gate_s_ += dt_s * last_[Signal::kGate];
      time_s_ += dt_s;
    }
    last_ = sample;
    has_last_ = true;
  }
  [[nodiscard]] double bus_v() const { return bus_vs_ / time_s_; }
  [[nodiscard]] double duty_frac() const { return gate_s_ / time_s_; }

 private:
  bool has_last_{false};
  trace::Sample last_;
  double bus_vs_{0}, gate_s_{0}, time_s_{0};
};

template <class AnyRig>
Means regulated(AnyRig& rig) {
  rig.run_until(25s);
  Means means;
  rig.attach(means);
  rig.run_until(30s);
  rig.detach(means);
  EXPECT_EQ(rig.invalid_because(), "");
  EXPECT_EQ(rig.resets(), 1);
  return means;
}

TEST(TwinBench, RegulatesAsTheVirtualRigDoesAtItsDelayAndAtTwiceThat) {
  const TwinSetup twin = twin_setup();
  VirtualRig reference{{twin.board, quiet_site(), twin.image, sunny(0.97, 1000.0), 1}};
  const Means expected = regulated(reference);
  EXPECT_NEAR(expected.bus_v(), 28.8, 0.15);
  for (const auto& [lead, latency] : {std::pair<Nanos, Nanos>{4ms, 500us}, {8ms, 2500us}}) {
    TwinSetup setup = twin;
    setup.latency = latency;
    BenchSettings settings;
    settings.lead = lead;
    TwinBench bench{sunny(0.97, 1000.0), settings, setup};
    const Means found = regulated(*bench.rig);
    std::printf("lead %.0f ms: bus %+.1f mV, duty %+.4f against the virtual rig\n", 1e3 * in_seconds(lead),
                1e3 * (found.bus_v() - expected.bus_v()), found.duty_frac() - expected.duty_frac());
    EXPECT_NEAR(found.bus_v(), expected.bus_v(), 0.02);
    EXPECT_NEAR(found.duty_frac(), expected.duty_frac(), 0.01);
    EXPECT_LT(std::abs(bench.rig->books_residual_j()), 1.0);
  }
}

TEST(TwinBench, ShowsTheDeviceWhatThePlantHasWhereItConverts) {
  const TwinSetup setup = twin_setup();
  TwinBench bench{sunny(0.97, 1000.0), {}, setup};
  // Of these the device's shunt sees the one behind its load switch.
  const std::vector<scenario::Stimulus> loads{{1s, scenario::LoadSwitching{"monitor", true, 1.0}},
                                              {1s, scenario::LoadSwitching{"transceiver", true, 1.0}}};
  for (const scenario::Stimulus& load : loads) bench.rig->schedule(load);
  ConversionLog log{*bench.twin, setup};
  bench.rig->attach(log);
  bench.rig->run_until(12s);
  ASSERT_EQ(bench.rig->invalid_because(), "");
  const auto found = log.against_the_plant({quiet_site(), sunny(0.97, 1000.0), 1, loads, 3s});
  ASSERT_EQ(found.size(), 4U);
  for (const ChannelDifference& one : found) {
    std::printf("%-11s %6lld conversions: %.3f codes RMS, %.3f at most\n", one.channel.c_str(),
                static_cast<long long>(one.conversions), one.rms_lsb, one.most_lsb);
    EXPECT_GT(one.conversions, 100);
  }
  EXPECT_LT(found[0].rms_lsb, 0.05) << "battery";
  EXPECT_LT(found[1].rms_lsb, 1.0) << "panel: within microseconds of an edge the stage's capacitor is on its way";
  EXPECT_LT(found[2].rms_lsb, 0.05) << "thermistor";
  EXPECT_LT(found[3].rms_lsb, 0.05) << "load: what flows through the switch, and nothing beside it";
}

TEST(TwinBench, LetsTheDeviceSeeAChangeWhenThePlantMakesIt) {
  TwinBench bench{sunny(0.97, 1000.0)};
  bench.rig->run_until(12s);
  bench.rig->apply(scenario::BatteryConnector{false});
  class Loss final : public trace::Sink {
   public:
    void on_sample(const trace::Sample& sample) override {
      if (!peak && sample[Signal::kBusV] > 33.0) peak = sample.time;
      if (sample[Signal::kGate] > 0.5) last_on = sample.time;
    }
    std::optional<Nanos> peak;
    Nanos last_on{0};
  } loss;
  bench.rig->attach(loss);
  bench.rig->run_for(2s);
  ASSERT_TRUE(loss.peak.has_value()) << "without a battery the bus runs away";
  std::printf("gate off %.2f ms after the bus left its battery\n", 1e3 * in_seconds(loss.last_on - *loss.peak));
  EXPECT_LT(loss.last_on - *loss.peak, 2500us) << "the device must see it at once, not a round trip later";
}

TEST(TwinBench, CutsTheSupplyBeforeTheFirstInstantAndLooksIntoTheSettingsMemory) {
  TwinBench bench{sunny(0.9, 800.0)};
  bench.rig->apply(scenario::PowerCycle{300ms});
  bench.rig->run_until(200ms);
  ASSERT_EQ(bench.rig->invalid_because(), "");
  EXPECT_FALSE(bench.twin->device_powered());
  bench.rig->run_until(2s);
  ASSERT_EQ(bench.rig->invalid_because(), "");
  EXPECT_TRUE(bench.twin->device_powered());
  EXPECT_EQ(bench.rig->resets(), 2) << "the power-up, and the end of the cut";
  ASSERT_TRUE(bench.rig->settings_memory());
  const auto& expected = twin_setup().board.eeprom;
  ASSERT_TRUE(expected);
  EXPECT_TRUE(std::equal(expected->begin(), expected->end(), bench.rig->settings_memory()->bytes.begin()))
      << "the device's own, as the profile has it, and not the interface board's";
}

TEST(TwinBench, SeesTheFaultOutputOfTheDevice) {
  TwinBench bench{sunny(0.9, 800.0)};
  EXPECT_TRUE(bench.rig->sees_fault_output());
  class Shown final : public trace::Sink {
   public:
    void on_sample(const trace::Sample& sample) override {
      const bool shows = sample[Signal::kFault] > 0.5;
      if (shows != shown) changed.push_back(sample.time);
      shown = shows;
    }
    bool shown{false};
    std::vector<Nanos> changed;
  } fault;
  bench.rig->attach(fault);
  const std::string wire = twin_setup().board.channel_for(profile::Quantity::kBatteryTemperature)->name;
  bench.rig->schedule({4s, scenario::SenseFault{wire, plant::SenseFaultKind::kOpen}});
  bench.rig->schedule({10s, scenario::SenseFault{wire, plant::SenseFaultKind::kNone}});
  bench.rig->run_until(4s);
  EXPECT_FALSE(fault.shown) << "nothing is wrong yet";
  bench.rig->run_until(10s);
  EXPECT_TRUE(fault.shown) << "a thermistor was taken off";
  bench.rig->run_until(13s);
  EXPECT_FALSE(fault.shown) << "and put back";
  ASSERT_EQ(bench.rig->invalid_because(), "");
  ASSERT_EQ(fault.changed.size(), 2U);
  std::printf("shown %.2f s after the wire came off, gone %.2f s after it was back\n",
              in_seconds(fault.changed[0] - Nanos{4s}), in_seconds(fault.changed[1] - Nanos{10s}));
}

TEST(TwinBench, EndsInvalidWithAWholeTraceAndASafeBoardWhenTheCableIsPulled) {
  TwinBench bench{sunny(0.6, 800.0)};
  trace::Recorder recorder{{}, {}, {}};
  bench.rig->attach(recorder);
  bench.rig->run_until(5s);
  ASSERT_EQ(bench.rig->invalid_because(), "");
  bench.line.first->unplug();
  bench.rig->run_until(10s);
  EXPECT_NE(bench.rig->invalid_because().find("the line to the interface board is gone"), std::string::npos)
      << bench.rig->invalid_because();
  EXPECT_GE(bench.rig->now(), 4990ms) << "what was known is told";
  EXPECT_LE(bench.rig->now(), 5100ms);
  recorder.finish(bench.rig->now(), bench.rig->invalid_because());

  bench.clock->sleep_until(bench.clock->now() + 150ms);
  const ChannelMap channels{twin_setup().board, Injection::kBeforeFilter};
  const auto safe_v = channels.safe_v(twin_setup().board);
  for (const std::size_t c : {std::size_t{0}, std::size_t{1}}) {
    ASSERT_TRUE(bench.twin->output_v(c).has_value());
    EXPECT_NEAR(*bench.twin->output_v(c), safe_v[c], 0.004) << "a full battery and no sun";
  }
  bench.clock->sleep_until(bench.clock->now() + 3s);
  bool charging = false;
  bench.twin->on_gate = [&charging](Nanos, bool conducts) { charging = charging || conducts; };
  bench.clock->sleep_until(bench.clock->now() + 2s);
  EXPECT_FALSE(charging) << "the device must believe that there is nothing to charge";

  // Plugged in again, the next run finds a fit bench.
  bench.line.first->plug_in();
  ASSERT_TRUE(bench.line.first->reopen());
  ASSERT_TRUE(bench.line.second->reopen());
  link::Session session{*bench.line.first};
  TrustBounds bounds;
  bounds.today = kToday;
  EXPECT_EQ(examine(session, *bench.clock, bounds).broken(), "");
}

TEST(TwinBench, IsInvalidAndNotFailedWhenTheHostIsStoppedForALongMoment) {
  TwinBench bench{sunny(0.6, 800.0)};
  bench.rig->run_until(5s);
  bench.clock->sleep_until(bench.clock->now() + 50ms);  // time passes and nobody ticks
  bench.rig->run_until(6s);
  EXPECT_NE(bench.rig->invalid_because().find("late"), std::string::npos) << bench.rig->invalid_because();
}

TEST(TwinBench, IsInvalidWhenTooManyTicksAreALittleLate) {
  for (const int late_ticks : {1, 4}) {
    TwinBench bench{sunny(0.6, 800.0)};
    for (int i = 0; i < late_ticks; ++i) {
      bench.rig->run_for(500ms);
      bench.clock->sleep_until(bench.clock->now() + 3500us);  // two ticks of it are more than 2 ms late
    }
    bench.rig->run_until(4s);
    const std::string& invalid = bench.rig->invalid_because();
    EXPECT_EQ(invalid.find("late too often") != std::string::npos, late_ticks == 4) << invalid;
  }
}

TEST(BenchLoop, AllocatesNothingOnceTheRunGoesOn) {
  TwinSetup setup = twin_setup();
  setup.board_eeprom = calibrated_cells();
  auto line = link::MemoryStream::line();
  Twin twin{setup, *line.second};
  TwinClock clock{twin};
  clock.sleep_until(200ms);
  link::Session session{*line.first};
  const link::Calibration calibration = true_calibration(setup.circuit, 1, kToday);
  const profile::SiteProfile site = quiet_site();
  BenchLoop loop{setup.board, site, sunny(0.9, 900.0), 1, {}, calibration, session, clock};
  ASSERT_TRUE(
      link::ask<link::Configured>(session, clock, configuration_of(setup.board, {}, calibration), 1s)->accepted);
  const scenario::Change sun = scenario::Sun{300.0, 500ms};
  const scenario::Change load = scenario::LoadSwitching{site.loads.front().name, true, 1.0};
  const std::string text{"changed"};
  BenchCommand command;
  command.kind = BenchCommand::Kind::kChange;
  command.text = &text;
  command.change = &sun;
  command.not_before = 4s;
  ASSERT_TRUE(loop.ask(command));
  command.change = &load;
  command.not_before = 5s;
  ASSERT_TRUE(loop.ask(command));
  TickPlan plan{clock.now() + 1ms, 1ms};
  std::int64_t allocations = 0;
  std::int64_t items = 0;
  BenchItem item;
  for (int i = 0; i < 8000; ++i) {
    clock.sleep_until(plan.due());
    const std::int64_t before = allocations_so_far();
    const bool goes_on = loop.tick(plan.begin(clock.now(), loop.lateness()));
    allocations += allocations_so_far() - before;
    ASSERT_TRUE(goes_on) << loop.fault_text();
    while (loop.fetch(item)) ++items;
  }
  EXPECT_GT(items, 8'000) << "at least a sample each millisecond";
  EXPECT_EQ(allocations, 0);
}

TEST(BenchCalibration, FindsTheConstantsOfEachOutputWithAMeter) {
  TwinSetup setup = twin_setup();  // settings memory erased, as it comes from soldering
  auto line = link::MemoryStream::line();
  Twin twin{setup, *line.second};
  TwinClock clock{twin};
  clock.sleep_until(200ms);
  link::Session session{*line.first};
  int asked = 0;
  const auto meter = [&](const CalibrationStep& step) -> std::optional<double> {
    if (++asked % 10 != 0) return std::nullopt;                          // a person takes a moment
    return std::round(1e4 * twin.output_v(step.channel).value()) / 1e4;  // a tenth of a millivolt is all it shows
  };
  CalibrationPlan plan;
  plan.points = 3;
  plan.meter_uncertainty_v = 0.0008;
  plan.serial_number = 42;
  plan.today = kToday;
  const CalibrationOutcome outcome = calibrate(
      session, clock, plan, [&twin](bool on) { twin.join_gate(on ? std::optional{true} : std::nullopt); }, meter);
  const link::Calibration perfect = true_calibration(setup.circuit, 42, kToday);
  for (std::size_t i = 0; i < link::kOutputs; ++i) {
    for (const std::uint16_t code : {std::uint16_t{3000}, std::uint16_t{32'000}, std::uint16_t{62'000}}) {
      EXPECT_NEAR(output_v(outcome.stored.output[i], code), output_v(perfect.output[i], code), 0.0002)
          << "output " << i;
    }
    EXPECT_LT(outcome.residual_v[i], 0.0002);
  }
  EXPECT_NEAR(outcome.stored.uncertainty_uv, 800.0, 60.0);
  twin.join_gate(std::nullopt);
  TrustBounds bounds;
  bounds.today = kToday + 10;
  const Trust trust = examine(session, clock, bounds);
  EXPECT_EQ(trust.broken(), "");
  EXPECT_EQ(trust.identity->serial_number, 42U);
  bounds.today = kToday + 400;
  EXPECT_NE(examine(session, clock, bounds).broken().find("at most 365 days old"), std::string::npos);
}

TEST(BenchCalibration, RefusesReadingsThatCannotBe) {
  EXPECT_THROW(static_cast<void>(fit_output("battery", {{3277, 0.25}})), base::BadInput) << "one point";
  try {
    static_cast<void>(fit_output("battery, gate on", {{3277, 0.25}, {62'258, 2.37}}));
    ADD_FAILURE() << "half of what was set was accepted";
  } catch (const base::BadInput& e) {
    EXPECT_NE(std::string{e.what()}.find("battery, gate on: was set to about 4.75 V and read as 2.37 V"),
              std::string::npos)
        << e.what();
  }
  const OutputFit bent =
      fit_output("x", {{3277, 0.2519}, {18'022, 1.3830}, {32'768, 2.5100}, {47'513, 3.6330}, {62'258, 4.7519}});
  EXPECT_NEAR(bent.output.bow_uv, 10'000, 300);
  EXPECT_LT(bent.residual_v, 1e-3);
}

TEST(GuardBand, GrowsWithMeterAndResidual) {
  EXPECT_EQ(combined_uncertainty_uv(0.003, 0.004, 0.0), 5000U);
}

}  // namespace
}  // namespace dawnrig::rig
