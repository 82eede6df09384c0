// The counters of a run, against a battery that a constant current empties.
#include <gtest/gtest.h>

#include <filesystem>

#include "harness/rig/virtual_rig.h"
#include "harness/testing/scenario_run.h"

namespace dawnrig::testing {
namespace {

using namespace std::chrono_literals;

TEST(BatteryCounts, OfAnEvenDischargeAreItsCurrentTimesItsTime) {
  const std::filesystem::path profiles = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles";
  rig::VirtualRigSetup setup;
  setup.board = profile::load_board(profiles / "ridge_repeater_a.textproto");
  setup.site = profile::load_site(profiles / "ridge_repeater_site.textproto");
  setup.site.loads = {{"beacon", {plant::ConstantCurrentParams{4.0, 1.0}, true}, true}};
  setup.image = device::load_image(std::filesystem::path{DAWNRIG_BINARY_DIR} / "fixtures/reference_device/ridge_a.elf",
                                   setup.board.device.part);
  setup.initial.soc_frac = 0.5002;
  rig::VirtualRig rig{setup};
  verdict::BatteryClock clock{{24.0, 50.0, 0.5}};
  rig.attach(clock);
  rig.run_until(20s);
  rig.apply(scenario::BatteryTemperature{55.0});
  rig.run_until(60s);
  ASSERT_EQ(rig.invalid_because(), "");

  const verdict::BatteryCounts counts = counts_of(clock, rig);
  // 4 A, 10 mA of the board itself, and what its sense networks draw: below 1 mA.
  const double drawn_a = 4.0 + setup.board.stage.quiescent_a;
  EXPECT_NEAR(counts.out_ah, drawn_a * 60 / 3600, 2.5e-4 * counts.out_ah);
  EXPECT_EQ(counts.in_ah, 0);
  const double left_ah = (0.5002 - rig.latest()[trace::Signal::kSocFrac]) * 200;
  EXPECT_NEAR(counts.out_ah + counts.gassing_ah + counts.unstored_ah, left_ah, 1e-6 * left_ah);
  // The fall of 0.0002 of 200 Ah takes so long; gas takes a few thousandths of it. Samples stand up to 1 s apart, and
  // the fall between them is straight.
  const double until_half_s = 0.0002 * 200 * 3600 / drawn_a;
  EXPECT_NEAR(counts.below_soc_s, 60 - until_half_s, 0.3);
  EXPECT_NEAR(counts.lowest_soc_frac, 0.5002 - left_ah / 200, 1e-12);
  EXPECT_NEAR(counts.above_degc_s, 40, 1e-9);
  EXPECT_EQ(counts.highest_degc, 55);
  EXPECT_NEAR(counts.above_v_s, 60, 1e-9) << "24.6 V less 0.1 V";
}

}  // namespace
}  // namespace dawnrig::testing
