// The rig where something fails: connectors and fuses of the site, and the plant itself.
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <limits>
#include <string>
#include <vector>

#include "harness/rig/plant_failure.h"
#include "harness/rig/virtual_rig.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

const std::filesystem::path kProfiles = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles";
const std::filesystem::path kImage =
    std::filesystem::path{DAWNRIG_BINARY_DIR} / "fixtures/reference_device/ridge_a.elf";

VirtualRigSetup ridge_repeater() {
  VirtualRigSetup setup;
  setup.board = profile::load_board(kProfiles / "ridge_repeater_a.textproto");
  setup.site = profile::load_site(kProfiles / "ridge_repeater_site.textproto");
  setup.image = device::load_image(kImage, setup.board.device.part);
  setup.initial.soc_frac = 0.6;
  setup.initial.poa_wpm2 = 500.0;
  return setup;
}

class Notebook final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override { samples.push_back(sample); }
  void on_event(const trace::Event& event) override { events.push_back(event); }
  std::vector<trace::Sample> samples;
  std::vector<trace::Event> events;
};

TEST(RigFaults, APlantWithoutASolutionEndsTheRunAsInvalidAndSaysWhatLedThere) {
  VirtualRig rig{ridge_repeater()};
  rig.run_until(10s);
  ASSERT_EQ(rig.invalid_because(), "");
  // Gives twice what the load switch could carry.
  rig.apply(scenario::LoadSwitching{"heater", true, -2.0 * 4.5 / 0.008});
  rig.run_until(20s);
  const std::string& why = rig.invalid_because();
  EXPECT_NE(why.find("the plant's equations did not converge after 10"), std::string::npos) << why;
  for (const char* part : {"bus 2", "panel input ", "state of charge 0.6", "sun 500 W/m2", "gate o", "at -1125"}) {
    EXPECT_NE(why.find(part), std::string::npos) << part << " in: " << why;
  }
  EXPECT_LT(rig.now(), 11s) << "nothing goes on after that";
  EXPECT_TRUE(std::isfinite(rig.latest()[Signal::kBusV])) << "the last good state stands";
}

TEST(RigFaults, ANumberThatIsNoneEndsTheRunAsInvalid) {
  VirtualRig rig{ridge_repeater()};
  rig.run_until(1s);
  rig.apply(scenario::AmbientTemperature{std::numeric_limits<double>::quiet_NaN()});
  rig.run_until(5s);
  EXPECT_NE(rig.invalid_because().find("the plant left the real numbers after 1"), std::string::npos)
      << rig.invalid_because();
  EXPECT_NE(rig.invalid_because().find("ambient nan"), std::string::npos) << rig.invalid_because();
}

TEST(RigFaults, ABouncingConnectorOpensAndClosesAsOftenAsToldAndTheSameEveryTime) {
  std::vector<std::vector<Nanos>> seen;
  for (const std::uint64_t seed : {3U, 3U, 4U}) {
    VirtualRig rig{ridge_repeater()};
    rig.run_until(1s);
    Notebook notebook;
    rig.attach(notebook);
    rig.apply(scenario::Bounce{scenario::Connector::kBattery, true, 5, 20ms, seed});
    rig.run_for(100ms);
    rig.detach(notebook);
    EXPECT_EQ(rig.invalid_because(), "");
    std::vector<Nanos> closures;
    for (std::size_t i = 1; i < notebook.samples.size(); ++i) {
      const bool was_open = notebook.samples[i - 1][Signal::kBatteryA] == 0.0;
      const bool is_open = notebook.samples[i][Signal::kBatteryA] == 0.0;
      if (was_open && !is_open) {
        EXPECT_EQ(notebook.samples[i].time, notebook.samples[i - 1].time) << "a jump";
        closures.push_back(notebook.samples[i].time);
      }
    }
    EXPECT_EQ(closures.size(), 5U);
    EXPECT_EQ(closures.back(), 1s + 20ms);
    EXPECT_NE(rig.latest()[Signal::kBatteryA], 0.0) << "it ends closed";
    seen.push_back(closures);
  }
  EXPECT_EQ(seen[0], seen[1]);
  EXPECT_NE(seen[0], seen[2]);
}

TEST(RigFaults, AConnectorThatIsPulledStopsBouncing) {
  VirtualRig rig{ridge_repeater()};
  rig.run_until(1s);
  rig.apply(scenario::Bounce{scenario::Connector::kPanel, true, 50, 1s, 1});
  rig.run_for(100ms);
  rig.apply(scenario::PanelConnector{false});
  rig.run_for(2s);
  EXPECT_EQ(rig.latest()[Signal::kPanelA], 0.0);
}

TEST(RigFaults, APlantThatTakesStepsWithoutEndEndsTheRunAsInvalidAtTheSameInstantEverywhere) {
  VirtualRigSetup setup = ridge_repeater();
  setup.most_steps_per_s = 1000;  // a stage that switches takes more than ten thousand
  Nanos gave_up{0};
  for (int run = 0; run < 2; ++run) {
    VirtualRig rig{setup};
    rig.run_until(30s);
    const std::string& why = rig.invalid_because();
    EXPECT_NE(why.find("the plant takes more than 1000 steps a second"), std::string::npos) << why;
    EXPECT_NE(why.find("panel input "), std::string::npos) << why;
    EXPECT_LT(rig.now(), 30s);
    EXPECT_EQ(rig.now(), run == 0 ? rig.now() : gave_up);
    gave_up = rig.now();
  }
}

TEST(RigFaults, BooksThatMissAThousandthOfWhatWasTurnedOverAreNamedWithTheirSums) {
  plant::Books books;
  books.panel_j = 600;
  books.battery_in_j = -300;
  books.loads_j = 90;
  books.stage_j = 9;
  books.wiring_j = 0.9;
  books.sense_j = 0.1;  // 1000 J in all
  EXPECT_EQ(open_books(1.0, books), "");
  EXPECT_EQ(open_books(-1.0, books), "");
  const std::string why = open_books(-1.02, books);
  EXPECT_NE(why.find("of 1000 J turned over, -1.02 J are nowhere; panel 600 J, battery -300 J"), std::string::npos)
      << why;
  EXPECT_EQ(open_books(0.009, {}), "") << "what a few capacitors hold";
  EXPECT_NE(open_books(0.011, {}), "");
  EXPECT_NE(open_books(std::nan(""), books), "") << "books that are no number are open";
}

TEST(RigFaults, ACorrodedConnectorShowsBetweenBoardAndBattery) {
  VirtualRig rig{ridge_repeater()};
  rig.run_until(20s);
  rig.apply(scenario::Corrosion{scenario::Connector::kBattery, 0.2});
  rig.run_for(1s);
  const trace::Sample& s = rig.latest();
  EXPECT_NEAR(s[Signal::kBusV] - s[Signal::kTerminalV], 0.21 * s[Signal::kBatteryA], 1e-6);
}

TEST(RigFaults, AFuseThatBlowsIsAnEventAndStaysBlown) {
  VirtualRigSetup setup = ridge_repeater();
  setup.site.battery_fuse = plant::FuseParams{4.0, 30.0, 0.0};
  VirtualRig rig{setup};
  Notebook notebook;
  rig.attach(notebook);
  rig.run_until(1s);
  rig.apply(scenario::LoadSwitching{"heater", true, 3.0});
  rig.run_for(30s);
  rig.detach(notebook);
  EXPECT_EQ(rig.invalid_because(), "");
  int blown = 0;
  for (const trace::Event& event : notebook.events) blown += event.text == "battery fuse blown" ? 1 : 0;
  EXPECT_EQ(blown, 1);
  EXPECT_EQ(rig.latest()[Signal::kBatteryA], 0.0);
}

// The pull-down opens the shorting switch while the device is held in reset: the panel charges, and the trace says so.
TEST(RigFaults, AShuntStageChargesWhileItsGateIsLeftAlone) {
  VirtualRigSetup setup = ridge_repeater();
  setup.board.stage.topology = plant::ShuntPwmParams{};
  VirtualRig rig{setup};
  rig.apply(scenario::ResetLine{true});
  rig.run_until(1s);
  EXPECT_EQ(rig.latest()[Signal::kGate], 1.0);
  EXPECT_GT(rig.latest()[Signal::kPanelA], 3.0);
  EXPECT_GT(rig.latest()[Signal::kPanelV], 24.0);
}

}  // namespace
}  // namespace dawnrig::rig
