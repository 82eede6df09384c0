#include "harness/rig/virtual_rig.h"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/trace/recorder.h"
#include "harness/trace/stretch.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

const std::filesystem::path kProfiles = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles";
const std::filesystem::path kImage =
    std::filesystem::path{DAWNRIG_BINARY_DIR} / "fixtures/reference_device/ridge_a.elf";

VirtualRigSetup ridge_repeater(double soc_frac, double poa_wpm2, std::uint64_t seed = 1) {
  VirtualRigSetup setup;
  setup.board = profile::load_board(kProfiles / "ridge_repeater_a.textproto");
  setup.site = profile::load_site(kProfiles / "ridge_repeater_site.textproto");
  for (profile::SiteLoad& load : setup.site.loads) {
    load.on_at_start = false;
  }
  setup.image = device::load_image(kImage, setup.board.device.part);
  setup.initial.soc_frac = soc_frac;
  setup.initial.poa_wpm2 = poa_wpm2;
  setup.seed = seed;
  return setup;
}

/// Remembers the samples of interest; the run is short enough to keep them all.
class Notebook final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override { samples.push_back(sample); }
  void on_event(const trace::Event& event) override { events.push_back(event); }
  std::vector<trace::Sample> samples;
  std::vector<trace::Event> events;
};

std::string trace_hash_of(std::uint64_t seed, Nanos duration) {
  VirtualRig rig{ridge_repeater(0.9, 800.0, seed)};
  trace::Recorder recorder{{}, {}, {}};
  rig.attach(recorder);
  rig.run_until(duration / 2);
  rig.apply(scenario::Sun{300.0, 1s});
  rig.run_until(duration);
  rig.detach(recorder);
  return recorder.finish(rig.now(), rig.invalid_because());
}

TEST(VirtualRig, ShowsBothSidesOfEveryEdgeOfABurst) {
  VirtualRigSetup setup = ridge_repeater(0.8, 0.0);
  setup.site.loads.push_back({"beacon", {plant::PulsedParams{4.0, 0.25, 200ms, 1s, 1.0}, true}, true});
  VirtualRig rig{setup};
  Notebook notes;
  rig.attach(notes);
  rig.run_until(2500ms);
  rig.detach(notes);
  for (const Nanos edge : {Nanos{200ms}, Nanos{1s}, Nanos{1200ms}, Nanos{2s}, Nanos{2200ms}}) {
    std::vector<double> seen;
    for (const trace::Sample& sample : notes.samples) {
      if (sample.time == edge && (seen.empty() || seen.back() != sample[Signal::kLoadA])) {
        seen.push_back(sample[Signal::kLoadA]);
      }
    }
    const bool begins = edge.count() % 1'000'000'000 == 0;
    EXPECT_EQ(seen, (begins ? std::vector<double>{0.25, 4.0} : std::vector<double>{4.0, 0.25})) << in_seconds(edge);
  }
  EXPECT_LT(std::abs(rig.books_residual_j()), 1e-3);
}

TEST(VirtualRig, GivesTheSameTraceForTheSameInputsAndAnotherForAnotherSeed) {
  const std::string first = trace_hash_of(1, 20s);
  EXPECT_EQ(trace_hash_of(1, 20s), first);
  EXPECT_NE(trace_hash_of(2, 20s), first);
}

TEST(VirtualRig, StartsWithTheGateOffAndThenCharges) {
  VirtualRig rig{ridge_repeater(0.6, 800.0)};
  Notebook notebook;
  rig.attach(notebook);
  rig.run_until(100ms);
  for (const trace::Sample& sample : notebook.samples) {
    ASSERT_EQ(sample[Signal::kGate], 0.0) << "at " << in_seconds(sample.time) << " s";
  }
  rig.detach(notebook);
  rig.run_until(20s);
  EXPECT_GT(rig.latest()[Signal::kBatteryA], 3.0);
  EXPECT_TRUE(rig.device_crash().empty()) << rig.device_crash();
}

TEST(VirtualRig, ClosesItsEnergyBooksOverAMinuteOfSwitching) {
  VirtualRig rig{ridge_repeater(0.97, 1000.0)};
  rig.run_until(60s);
  ASSERT_TRUE(rig.invalid_because().empty()) << rig.invalid_because();
  const double panel_j = rig.plant_state().books.panel_j;
  EXPECT_GT(panel_j, 1000.0);
  EXPECT_LT(std::abs(rig.books_residual_j()), 1e-6 * panel_j);
}

TEST(VirtualRig, DeliversSamplesInOrderOfTimeWithBothSidesOfEveryEdge) {
  VirtualRig rig{ridge_repeater(0.97, 1000.0)};
  rig.run_until(40s);
  Notebook notebook;
  rig.attach(notebook);
  rig.run_for(100ms);
  int edges = 0;
  for (std::size_t i = 1; i < notebook.samples.size(); ++i) {
    const trace::Sample& before = notebook.samples[i - 1];
    const trace::Sample& after = notebook.samples[i];
    ASSERT_LE(before.time, after.time);
    if (before[Signal::kGate] != after[Signal::kGate]) {
      ++edges;
      EXPECT_EQ(before.time, after.time) << "an edge is a jump: two samples at one time";
    }
  }
  EXPECT_NEAR(edges, 98, 2) << "490.2 Hz, two edges a cycle";
}

TEST(VirtualRig, RampsTheSunStraightAndLetsALaterChangeOverrideIt) {
  VirtualRig rig{ridge_repeater(0.6, 100.0)};
  rig.apply(scenario::Sun{300.0, 10s});
  rig.run_for(5s);
  EXPECT_NEAR(rig.latest()[Signal::kPoaWpm2], 200.0, 1e-6);
  rig.apply(scenario::Sun{50.0, Nanos{0}});
  rig.run_for(10s);
  EXPECT_DOUBLE_EQ(rig.latest()[Signal::kPoaWpm2], 50.0) << "the end of the first ramp must not come after all";
}

scenario::Sky sky_of_ramps() {
  plant::RampSky sky;
  sky.rows = {{100.0, 500.0, 200.0, 2, 1.0, 1.0}};
  return {std::make_shared<const plant::SkyParams>(sky)};
}

TEST(VirtualRig, FollowsASkyLineByLineUntilTheSunIsSetByHand) {
  VirtualRig rig{ridge_repeater(0.6, 300.0)};
  rig.run_for(1500ms);
  rig.apply(sky_of_ramps());
  const auto poa_at = [&](Nanos since) {
    rig.run_until(1500ms + since);
    return rig.latest()[Signal::kPoaWpm2];
  };
  EXPECT_NEAR(poa_at(500ms), 100.0, 1e-6);
  EXPECT_NEAR(poa_at(2s), 300.0, 1e-4);
  EXPECT_NEAR(poa_at(3500ms), 500.0, 1e-6);
  EXPECT_NEAR(poa_at(5s), 300.0, 1e-4);
  EXPECT_NEAR(poa_at(6500ms), 100.0, 1e-6);
  EXPECT_NEAR(poa_at(8s), 300.0, 1e-4);
  rig.apply(scenario::Sun{700.0, Nanos{0}});
  EXPECT_DOUBLE_EQ(poa_at(12s), 700.0) << "the sky must not come back";
}

TEST(VirtualRig, SetsTheAmbientTemperatureThatASeriesGives) {
  plant::SeriesSky series;
  series.points = {{Nanos{0}, 400.0, 30.0}, {1s, 400.0, -20.0}};
  VirtualRig rig{ridge_repeater(0.6, 400.0)};
  rig.apply(scenario::Sky{std::make_shared<const plant::SkyParams>(series)});
  rig.run_until(1s);
  const double before = rig.latest()[Signal::kCellDegc];
  rig.run_until(31s);
  // Towards an ambient 50 K lower, a tenth of the 300 s lag.
  EXPECT_NEAR(rig.latest()[Signal::kCellDegc] - before, -4.8, 0.7);
}

TEST(VirtualRig, DrawsItsCloudsFromItsSeed) {
  plant::PlaceSky sky;
  sky.place = {47.0, 11.0, 1900.0};
  sky.begins = std::chrono::sys_days{std::chrono::year{2026} / 6 / 21} + std::chrono::hours{11};
  sky.broken_clouds = plant::BrokenClouds{.gap_s = 2.0, .shadow_s = 2.0, .slowest_edge_s = 2.0};
  const scenario::Sky change{std::make_shared<const plant::SkyParams>(sky)};
  const auto light_after_20s = [&](std::uint64_t seed) {
    VirtualRig rig{ridge_repeater(0.6, 0.0, seed)};
    rig.apply(change);
    rig.run_until(20s);
    return rig.latest()[Signal::kPoaWpm2];
  };
  EXPECT_EQ(light_after_20s(1), light_after_20s(1));
  EXPECT_NE(light_after_20s(1), light_after_20s(2));
}

TEST(VirtualRig, ActsOnScheduledStimuliAtTheirInstant) {
  VirtualRig rig{ridge_repeater(0.6, 500.0)};
  Notebook notebook;
  rig.attach(notebook);
  rig.schedule({2s, scenario::Sun{0.0, Nanos{0}}});
  rig.schedule({1s, scenario::BatteryConnector{false}});
  rig.run_until(3s);
  std::vector<std::pair<Nanos, std::string>> stimuli;
  for (const trace::Event& event : notebook.events) {
    if (event.kind == trace::EventKind::kStimulus) {
      stimuli.emplace_back(event.time, event.text);
    }
  }
  ASSERT_EQ(stimuli.size(), 2U);
  EXPECT_NEAR(in_seconds(stimuli[0].first), 1.0, 1e-6);
  EXPECT_NEAR(in_seconds(stimuli[1].first), 2.0, 1e-6);
}

TEST(VirtualRig, RefusesALoadOrChannelThatTheProfilesDoNotName) {
  VirtualRig rig{ridge_repeater(0.6, 500.0)};
  EXPECT_THROW(rig.apply(scenario::LoadSwitching{"kettle", true, 1.0}), base::BadInput);
  EXPECT_THROW(rig.check(scenario::SenseFault{"mains", plant::SenseFaultKind::kOpen}), base::BadInput);
}

TEST(VirtualRig, WarmsTheHeatSinkByItsLossesAndHoldsItWhereItIsTold) {
  VirtualRig rig{ridge_repeater(0.6, 1000.0)};
  rig.run_until(60s);
  const double warm_degc = rig.latest()[Signal::kHeatSinkDegc];
  EXPECT_GT(warm_degc, 26.0) << "four watts for most of a minute";
  EXPECT_LT(warm_degc, 30.0);
  rig.apply(scenario::HeatSinkTemperature{95.0});
  rig.run_for(2s);
  EXPECT_EQ(rig.latest()[Signal::kHeatSinkDegc], 95.0);
  EXPECT_LT(rig.latest()[Signal::kBatteryA], 0.0) << "the device sees it and stops";
  rig.apply(scenario::HeatSinkTemperature{0.0, false});
  rig.run_for(20s);
  EXPECT_LT(rig.latest()[Signal::kHeatSinkDegc], 94.0) << "it cools from where it was";
  EXPECT_GT(rig.latest()[Signal::kHeatSinkDegc], 80.0);
}

TEST(VirtualRig, ShowsWhatAHeldResetDoesToTheGate) {
  VirtualRig rig{ridge_repeater(0.6, 800.0)};
  rig.run_until(20s);
  rig.apply(scenario::ResetLine{true});
  Notebook notebook;
  rig.attach(notebook);
  rig.run_for(1s);
  for (std::size_t i = 1; i < notebook.samples.size(); ++i) {
    ASSERT_EQ(notebook.samples[i][Signal::kGate], 0.0) << "the pull-down decides while the pin floats";
  }
  rig.detach(notebook);
  const auto resets = rig.resets();
  rig.apply(scenario::ResetLine{false});
  rig.run_for(20s);
  EXPECT_GE(rig.resets(), resets);
  EXPECT_GT(rig.latest()[Signal::kBatteryA], 1.0) << "it charges again";
}

TEST(VirtualRig, SurvivesAPowerCycleWithTheSettingsKept) {
  VirtualRig rig{ridge_repeater(0.6, 800.0)};
  rig.run_until(10s);
  const auto before = rig.eeprom();
  rig.apply(scenario::PowerCycle{500ms});
  rig.run_for(400ms);
  EXPECT_EQ(rig.latest()[Signal::kGate], 0.0);
  rig.run_for(20s);
  EXPECT_GT(rig.latest()[Signal::kBatteryA], 1.0);
  EXPECT_EQ(rig.eeprom(), before);
}

/// A sink like a full disk.
class FullDisk final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override {
    if (sample.time > 1s) {
      throw base::RunFault("no space left");
    }
  }
};

TEST(VirtualRig, CarriesAFaultOfARecorderOutOfTheSimulatorAndEndsTheRunAsInvalid) {
  VirtualRig rig{ridge_repeater(0.6, 800.0)};
  FullDisk disk;
  rig.attach(disk);
  EXPECT_THROW(rig.run_until(5s), base::RunFault);
  EXPECT_NE(rig.invalid_because().find("no space left"), std::string::npos);
  rig.detach(disk);
}

/// One that finds itself full at a stretch, and at nothing else.
class FullDiskOfStretches final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& /*sample*/) override {}
  void on_stretch(const trace::Stretch& stretch) override {
    if (stretch.end().time > 7s) throw base::RunFault("no space left");
  }
};

TEST(VirtualRig, CarriesAFaultAtAStretchOutOfTheSimulatorToo) {
  VirtualRig rig{ridge_repeater(0.98, 900.0)};
  FullDiskOfStretches disk;
  rig.attach(disk);
  EXPECT_THROW(rig.run_until(9s), base::RunFault);
  EXPECT_NE(rig.invalid_because().find("no space left"), std::string::npos);
  EXPECT_LT(rig.now(), 8s);
  rig.detach(disk);
}

}  // namespace
}  // namespace dawnrig::rig
