// Which voltage each output of the interface board has to carry, and which code gives it.
#include "harness/rig/bench_channels.h"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>

#include "harness/base/bad_input.h"
#include "harness/rig/bench_trust.h"

namespace dawnrig::rig {
namespace {

profile::BoardProfile ridge(const std::string& revision) {
  return profile::load_board(std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles" /
                             ("ridge_repeater_" + revision + ".textproto"));
}

TEST(OutputCode, IsTheNearestOverTheWholeRangeHoweverTheOutputIsBent) {
  for (const link::OutputCalibration& output :
       {link::OutputCalibration{0, 5'000'000, 0}, link::OutputCalibration{3500, 4'990'000, 12'000},
        link::OutputCalibration{-2500, 5'012'000, -20'000}}) {
    const double step_v = output.span_uv * 1e-6 / 65535.0;
    for (double v = 0.05; v < 4.9; v += 0.0137) {
      EXPECT_NEAR(output_v(output, output_code(output, v)), v, 0.55 * step_v);
    }
    EXPECT_EQ(output_code(output, -1.0), 0);
    EXPECT_EQ(output_code(output, 9.0), 65535);
  }
}

TEST(ChannelMap, CarriesWhatTheNetworkMakesOfTheNode) {
  const profile::BoardProfile board = ridge("a");
  const ChannelMap map{board, Injection::kBeforeFilter};
  EXPECT_EQ(map.connected(), 0b1111U) << "battery, panel, load current, thermistor";
  EXPECT_EQ(map.two_level(), 0b0111U) << "a thermistor knows nothing of the gate";
  plant::CircuitState state;
  plant::Probes probes;
  probes.bus_v = 28.8;
  probes.input_v = 40.0;
  probes.battery_degc = 25.0;
  plant::Conditions conditions;
  const auto volts = map.carried_v(state, probes, conditions);
  EXPECT_NEAR(volts[0], 28.8 * 15.0 / 115.0, 1e-6);
  EXPECT_NEAR(volts[1], 40.0 * 10.0 / 130.0, 1e-6);
  EXPECT_NEAR(volts[3], 2.5, 1e-3);
  EXPECT_NEAR(volts[2], 0.02, 1e-9) << "what is as low as the amplifier's output goes";
}

TEST(ChannelMap, LeavesTheSensorOfTheDevicesOwnHeatSinkInPlace) {
  const profile::BoardProfile board = ridge("a");
  const auto heat_sink = board.channel_index("heatsink");
  ASSERT_TRUE(heat_sink);
  const ChannelMap map{board, Injection::kBeforeFilter};
  for (const auto& sense : map.sense()) EXPECT_NE(sense, heat_sink);
}

TEST(ChannelMap, ShowsABrokenWireAsTheDeviceWouldSeeIt) {
  const profile::BoardProfile board = ridge("a");
  const ChannelMap map{board, Injection::kBeforeFilter};
  plant::CircuitState state;
  state.sense_v[0] = 3.3;
  plant::Probes probes;
  probes.bus_v = 28.8;
  plant::Conditions conditions;
  conditions.sense_faults[0] = plant::SenseFaultKind::kOpen;
  EXPECT_NEAR(map.carried_v(state, probes, conditions)[0], 0.0, 1e-3);
  conditions.sense_faults[0] = plant::SenseFaultKind::kShortToSupply;
  EXPECT_NEAR(map.carried_v(state, probes, conditions)[0], 5.0, 0.01);
  conditions.sense_faults[0] = plant::SenseFaultKind::kStuck;
  EXPECT_EQ(map.carried_v(state, probes, conditions)[0], 3.3) << "where the pin was when it stuck";
}

TEST(ChannelMap, IsSafeWhenTheDeviceSeesAFullBatteryInTheDark) {
  for (const std::string revision : {"a", "b"}) {
    const profile::BoardProfile board = ridge(revision);
    const ChannelMap map{board, Injection::kBeforeFilter};
    const auto safe_v = map.safe_v(board);
    const plant::SenseParams& battery = board.channel_for(profile::Quantity::kBatteryVoltage)->network;
    EXPECT_GT(safe_v[0], plant::resting_pin_v(battery, board.declared.absorption_v, 5.0, 25.0));
    EXPECT_LT(safe_v[0], plant::resting_pin_v(battery, board.declared.over_voltage_v, 5.0, 25.0));
    EXPECT_EQ(safe_v[1], 0.0);
  }
}

TEST(ChannelMap, RefusesTwoChannelsForOneOutput) {
  profile::BoardProfile board = ridge("a");
  board.sense.push_back(board.sense[0]);
  board.sense.back().name = "second battery";
  try {
    const ChannelMap map{board, Injection::kBeforeFilter};
    ADD_FAILURE() << "accepted";
  } catch (const base::BadInput& e) {
    EXPECT_NE(std::string{e.what()}.find("second battery"), std::string::npos) << e.what();
  }
}

TEST(Trust, WritesDatesAndVersions) {
  EXPECT_EQ(date_text(0), "1970-01-01");
  EXPECT_EQ(date_text(20'518), "2026-03-06");
  EXPECT_EQ(date_text(11'016), "2000-02-29");
  EXPECT_EQ(date_text(11'017), "2000-03-01");
  EXPECT_EQ(version_text(10'203), "1.2.3");
}

}  // namespace
}  // namespace dawnrig::rig
