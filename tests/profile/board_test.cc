// A board profile is refused when no such board could work, and the person is told why and where.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "harness/base/hash.h"
#include "harness/profile/profile.h"
#include "tests/profile/edited_file.h"

namespace dawnrig::profile {
namespace {

class Board : public testing::EditedBoard {};

TEST_F(Board, ComesOutAsItWasWritten) {
  const BoardProfile board = load();
  EXPECT_EQ(board.name, "gate post controller");
  EXPECT_EQ(board.revision, "C");
  EXPECT_EQ(board.sha256, base::sha256_of_file(place("board.textproto")));
  EXPECT_EQ(board.device.part, "atmega328p");
  EXPECT_EQ(board.device.clock_hz, 8'000'000);
  EXPECT_EQ(board.device.supply_v, 5);
  EXPECT_EQ(board.device.aref_v, 4.096);
  EXPECT_EQ(board.device.adc.offset_lsb, 0.5);
  EXPECT_EQ(board.device.adc.noise_lsb, 0.3);
  EXPECT_EQ(board.gate.pin, (device::Pin{'B', 1}));
  EXPECT_EQ(board.gate.polarity, Polarity::kActiveLow);
  EXPECT_EQ(board.gate.pull, Pull::kUp);
  ASSERT_TRUE(board.load_output);
  EXPECT_EQ(board.load_output->pin, (device::Pin{'D', 4}));
  EXPECT_EQ(board.load_switch_ohm, 0.02);
  EXPECT_THAT(board.device.watched, ::testing::ElementsAre(board.gate.pin, board.load_output->pin));
  EXPECT_EQ(board.stage.output_capacitance_f, 220e-6);
  EXPECT_EQ(board.stage.blocking_diode.emission_coefficient, 1.04);
  EXPECT_EQ(board.stage.max_bus_v, 35);
  ASSERT_EQ(board.sense.size(), 3U);
  EXPECT_EQ(board.sense[1].name, "panel");
  EXPECT_EQ(board.sense[1].adc_channel, 1);
  EXPECT_EQ(board.sense[1].network.node, plant::SenseNode::kPanelInput);
  EXPECT_EQ(std::get<plant::DividerParams>(board.sense[1].network.network).r_top_ohm, 60e3);
  EXPECT_EQ(std::get<plant::ThermistorInputParams>(board.sense[2].network.network).beta_k, 3950);
  EXPECT_EQ(board.channel_for(Quantity::kBatteryTemperature), &board.sense[2]);
  EXPECT_EQ(board.channel_index("cells"), 2U);
  EXPECT_EQ(board.channel_index("sun"), std::nullopt);
  ASSERT_TRUE(board.hooks.millisecond_counter);
  EXPECT_EQ(std::get<std::string>(board.hooks.millisecond_counter->place), "milliseconds");
  ASSERT_TRUE(board.eeprom);
  EXPECT_EQ(board.eeprom->size(), 1024U);
  EXPECT_THAT(std::vector<int>(board.eeprom->begin(), board.eeprom->begin() + 5),
              ::testing::ElementsAre(1, 2, 3, 4, 0xFF));
}

TEST_F(Board, TakesTheStatedDefaultsForWhatIsNotWritten) {
  const BoardProfile board = load({{"  aref_v { value: 4.096 }\n", ""},
                                   {"  adc { offset_lsb { value: 0.5 } noise_lsb { value: 0.3 } }\n", ""},
                                   {"  eeprom_image: \"settings.hex\"\n", ""}});
  EXPECT_EQ(board.device.aref_v, std::nullopt);
  EXPECT_EQ(board.device.internal_reference_v, 1.1);
  EXPECT_EQ(board.device.internal_reference_2_v, 2.56);
  EXPECT_EQ(board.device.startup_delay_s, 0.065);
  EXPECT_EQ(board.device.adc.noise_lsb, 0);
  EXPECT_EQ(board.eeprom, std::nullopt);
  EXPECT_EQ(board.stage.quiescent_a, 0);
  EXPECT_EQ(board.declared.settle_s, 30);
  EXPECT_EQ(board.declared.startup_s, 5);
  EXPECT_EQ(board.declared.watchdog_s, std::nullopt);
  EXPECT_EQ(board.hooks.serial_baud, 9600);
}

TEST_F(Board, NamesWhatToSendAndWhatItsSettingsMemoryMayHold) {
  const BoardProfile board =
      load({{"hooks {",
             "fault_output { pin: \"PD7\" polarity: ACTIVE_LOW pull: PULL_UP }\nhooks {\n"
             "  instruction { purpose: EQUALISE text: \"equalise\\r\" }\n"
             "  instruction { purpose: BAD_SETTING text: \"one\" }\n"
             "  instruction { purpose: BAD_SETTING text: \"two\" }\n"
             "  settings_image { name: \"old\" file: \"settings.hex\" absorption_v { value: 14.2 } }\n"}});
  ASSERT_TRUE(board.fault_output);
  EXPECT_EQ(board.fault_output->pin, (device::Pin{'D', 7}));
  EXPECT_THAT(board.device.watched, ::testing::Contains(board.fault_output->pin));
  EXPECT_THAT(board.hooks.texts_for(Purpose::kEqualise), ::testing::ElementsAre("equalise\r"));
  EXPECT_THAT(board.hooks.texts_for(Purpose::kBadSetting), ::testing::ElementsAre("one", "two"));
  EXPECT_THAT(board.hooks.texts_for(Purpose::kFlood), ::testing::IsEmpty());
  ASSERT_EQ(board.hooks.settings_images.size(), 1U);
  EXPECT_EQ(board.hooks.settings_images[0].bytes, *board.eeprom);
  EXPECT_EQ(board.hooks.settings_images[0].absorption_v, 14.2);
}

TEST_F(Board, SaysHowItsDaysAreMadeShortAndWhatItCounts) {
  const BoardProfile board =
      load({{"hooks {",
             "hooks {\n"
             "  dark_counter { address: 300 width_bytes: 2 }\n"
             "  time_lapse { factor { value: 720 } absorption_time_s { value: 10 } equalise_days: 3 }\n"
             "  instruction { purpose: TIME_LAPSE text: \"short\" }\n"
             "  instruction { purpose: LOAD_AGAIN text: \"on\" }\n"
             "  life_counter { event: DAY pattern: \"d=([0-9]+)\" highest { value: 255 } }\n"
             "  life_counter { event: LOAD_OVERLOAD pattern: \"o=([0-9]+)\" highest { value: 65535 } }\n"
             "  settings_image { name: \"full\" file: \"settings.hex\" absorption_v { value: 14.2 } "
             "counters_almost_full: true }\n"}});
  ASSERT_TRUE(board.hooks.dark_counter);
  EXPECT_EQ(std::get<std::uint32_t>(board.hooks.dark_counter->place), 300U);
  ASSERT_TRUE(board.hooks.time_lapse);
  EXPECT_EQ(board.hooks.time_lapse->factor, 720);
  EXPECT_EQ(board.hooks.time_lapse->absorption_time_s, 10);
  EXPECT_EQ(board.hooks.time_lapse->equalise_days, 3);
  EXPECT_THAT(board.hooks.texts_for(Purpose::kTimeLapse), ::testing::ElementsAre("short"));
  EXPECT_THAT(board.hooks.texts_for(Purpose::kLoadAgain), ::testing::ElementsAre("on"));
  ASSERT_NE(board.hooks.counter_of(LifeEvent::kLoadOverload), nullptr);
  EXPECT_EQ(board.hooks.counter_of(LifeEvent::kLoadOverload)->highest, 65535);
  EXPECT_EQ(board.hooks.counter_of(LifeEvent::kLoadDisconnect), nullptr);
  ASSERT_EQ(board.hooks.settings_images.size(), 1U);
  EXPECT_TRUE(board.hooks.settings_images[0].counters_almost_full);
  expect({{{{"hooks {", "hooks { life_counter { event: DAY pattern: \"days\" highest { value: 255 } } "}},
           {"board.textproto:58:44: hooks.life_counter[0].pattern: is \"days\", must be a regular expression with one "
            "group for the number, as in \"days=([0-9]+)\""}}});
}

TEST_F(Board, DeclaresStagesAndLoadFiguresThatGoTogether) {
  const std::string b = "board.textproto:";
  const auto with = [](const std::string& more) {
    return std::vector<std::pair<std::string, std::string>>{{"declared {", "declared { " + more}};
  };
  expect({
      {with("equalise_v { value: 14 } equalise_longest_s { value: 60 }"),
       {b + "47:32: declared.equalise_v: is 14, must not be below absorption_v (14.4)"}},
      {with("rebulk_v { value: 14 } rebulk_delay_s { value: 60 }"),
       {b + "50:20: declared.float_v: is 13.6, must be above rebulk_v (14)"}},
      {with("load_high_v { value: 15 }"), {b + "47:33: declared.load_high_v: means nothing without load_high_delay_s"}},
      {with("load_overload_a { value: 15 }"),
       {b + "47:37: declared.load_overload_a: means nothing without load_overload_delay_s"}},
      {with("heat_sink_hottest_degc { value: 85 }"),
       {b + "47:44: declared.heat_sink_hottest_degc: is declared, but the board has no channel with quantity "
            "HEAT_SINK_TEMPERATURE"}},
  });
}

TEST_F(Board, SparesAHeatSinkThatItSenses) {
  const std::string b = "board.textproto:";
  const std::string channel =
      "sense { name: \"sink\" quantity: HEAT_SINK_TEMPERATURE adc_pin: \"ADC5\" thermistor { r_pull_up_ohm { value: "
      "4700 } "
      "r_25_ohm { value: 1e4 } beta_k { value: 3950 } capacitance_f { value: 1e-7 } } } declared { ";
  const BoardProfile board = load({{"declared {", channel + "heat_sink_derate_degc { value: 75 } "
                                                            "heat_sink_hottest_degc { value: 85 }"}});
  ASSERT_NE(board.channel_for(Quantity::kHeatSinkTemperature), nullptr);
  EXPECT_EQ(board.channel_for(Quantity::kHeatSinkTemperature)->network.node, plant::SenseNode::kStageTemperature);
  EXPECT_EQ(board.declared.heat_sink_derate_degc, 75);
  EXPECT_EQ(board.declared.heat_sink_hottest_degc, 85);
  EXPECT_EQ(board.declared.heat_sink_resume_k, 10);
  const auto complaint = [&](const std::string& figures) -> std::string {
    try {
      static_cast<void>(load({{"declared {", channel + figures}}));
    } catch (const base::BadInput& bad) {
      return bad.what();
    }
    return {};
  };
  EXPECT_THAT(complaint("heat_sink_derate_degc { value: 85 } heat_sink_hottest_degc { value: 85 }"),
              ::testing::HasSubstr("declared.heat_sink_derate_degc: is 85, must be below heat_sink_hottest_degc (85)"));
  EXPECT_THAT(complaint("heat_sink_resume_k { value: 5 }"),
              ::testing::HasSubstr("declared.heat_sink_resume_k: means nothing without heat_sink_hottest_degc"));
}

TEST_F(Board, FollowsTheDeclaredTemperatureWithinItsWindow) {
  Declared declared = load().declared;
  EXPECT_DOUBLE_EQ(declared.absorption_v_at(25), 14.4);
  EXPECT_DOUBLE_EQ(declared.absorption_v_at(0), 15.0);
  EXPECT_DOUBLE_EQ(declared.absorption_v_at(-30), 14.4 + 35 * 0.024);
  EXPECT_DOUBLE_EQ(declared.absorption_v_at(60), 14.4 - 15 * 0.024);
  declared.compensation_v_per_k.reset();
  EXPECT_DOUBLE_EQ(declared.absorption_v_at(-30), 14.4);
}

TEST_F(Board, MustHaveAPartAndPinsThatExist) {
  const std::string b = "board.textproto:";
  expect({
      {{{"\"atmega328p\"", "\"atmega328q\""}},
       {b + "5:9: mcu.part: is \"atmega328q\", an unknown part; did you mean atmega328p?"}},
      {{{"\"PB1\"", "\"PB9\""}}, {b + "12:13: gate.pin: is \"PB9\", a pin that atmega328p does not have"}},
      {{{"\"PD4\"", "\"PB1\""}}, {b + "13:20: load_output.pin: is \"PB1\", which gate.pin has already"}},
      {{{"\"PB1\"", "\"PC1\""}}, {b + "36:12: sense[1].adc_pin: is \"ADC1\", which gate.pin has already"}},
      {{{"\"ADC2\"", "\"ADC0\""}}, {b + "42:12: sense[2].adc_pin: is \"ADC0\", which sense[0].adc_pin has already"}},
      {{{"\"ADC2\"", "\"ADC9\""}},
       {b + "42:12: sense[2].adc_pin: is \"ADC9\", no analogue input of atmega328p, must be ADC0 to ADC7"}},
      {{{"aref_v { value: 4.096 }", "aref_v { value: 5.1 }"}},
       {b + "8:19: mcu.aref_v: is 5.1, must be at most supply_v (5)"}},
      {{{"pull: PULL_UP", ""}}, {b + "12:1: gate.pull: is missing, must be one of PULL_DOWN, PULL_UP"}},
  });
}

TEST_F(Board, MustHaveSenseNetworksThatSeeTheBattery) {
  const std::string b = "board.textproto:";
  const std::string divider =
      "divider { r_top_ohm { value: 30e3 } r_bottom_ohm { value: 10e3 } capacitance_f { value: 100e-9 } }";
  const auto offset = [](const std::string& diode_v, const std::string& r_top_ohm) {
    return "offset_divider { diode_v { value: " + diode_v +
           " } diode_test_a { value: 5e-3 } knee_v { value: 0.05 } r_top_ohm { value: " + r_top_ohm +
           " } r_bottom_ohm { value: 10e3 } capacitance_f { value: 100e-9 } }";
  };
  expect({
      {{{"name: \"cells\"", "name: \"panel\""}}, {b + "40:9: sense[2].name: is \"panel\", the name of sense[1]"}},
      {{{"quantity: BATTERY_VOLTAGE", "quantity: PANEL_VOLTAGE"}},
       {b + "27:1: sense: has no channel with quantity BATTERY_VOLTAGE: the device could not regulate"}},
      {{{"quantity: BATTERY_TEMPERATURE", "quantity: PANEL_VOLTAGE"}},
       {b + "43:3: sense[2].thermistor: measures a temperature, but the quantity is a voltage"}},
      {{{"quantity: PANEL_VOLTAGE", "quantity: BATTERY_TEMPERATURE"}},
       {b + "37:3: sense[1].divider: measures a voltage, but the quantity is a temperature"}},
      {{{"r_top_ohm { value: 30e3 }", "r_top_ohm { value: 20e3 }"}},
       {b +
        "31:3: sense[0].divider: puts the pin at 5.167 V at over_voltage_v (15.5), must stay below the reference of "
        "4.096 V: the device could not see the limit"}},
      {{{"r_top_ohm { value: 30e3 }", "r_top_ohm { value: 20e3 }"}, {"  aref_v { value: 4.096 }\n", ""}},
       {b + "30:3: sense[0].divider: puts the pin at 5.167 V at over_voltage_v (15.5), must stay below the supply of 5 "
            "V: the device could not see the limit"}},
      {{{divider, offset("6.2", "20e3")}}, {}},
      {{{divider, offset("12", "10e3")}},
       {b +
        "31:3: sense[0].offset_divider: reads zero at load_disconnect_v (11.4): the device could not see the battery "
        "discharge"}},
      {{{divider, ""}},
       {b + "27:1: sense[0]: has no network, write one of divider, offset_divider, thermistor, shunt_amplifier"}},
  });
}

TEST_F(Board, MustDeclareVoltagesThatFitTogether) {
  const std::string b = "board.textproto:";
  expect({
      {{{"absorption_v { value: 14.4 }", "absorption_v { value: 11.9 }"}},
       {b + "49:25: declared.absorption_v: is 11.9, must be above nominal_v (12)"}},
      {{{"float_v { value: 13.6 }", "float_v { value: 14.5 }"}},
       {b + "50:20: declared.float_v: is 14.5, must not be above absorption_v (14.4)"}},
      {{{"float_v { value: 13.6 }", "float_v { value: 12.6 }"}},
       {b + "50:20: declared.float_v: is 12.6, must be above load_reconnect_v (12.6)"}},
      {{{"over_voltage_v { value: 15.5 }", "over_voltage_v { value: 14.4 }"}},
       {b + "54:27: declared.over_voltage_v: is 14.4, must be above absorption_v (14.4)"}},
      {{{"compensation_lowest_degc { value: -10 }", "compensation_lowest_degc { value: -30 }"}},
       {b + "52:37: declared.compensation_lowest_degc: puts the absorption set point at 15.72 V at -30 degC, must stay "
            "below over_voltage_v (15.5)"}},
      {{{"load_reconnect_v { value: 12.6 }", "load_reconnect_v { value: 11.4 }"}},
       {b + "56:29: declared.load_reconnect_v: is 11.4, must be above load_disconnect_v (11.4)"}},
      {{{"load_disconnect_v { value: 11.4 }", ""}},
       {b + "56:29: declared.load_reconnect_v: means nothing without load_disconnect_v"}},
      {{{"compensation_v_per_k { value: -0.024 }", ""}},
       {b + "52:37: declared.compensation_lowest_degc: means nothing without compensation_v_per_k",
        b + "53:38: declared.compensation_highest_degc: means nothing without compensation_v_per_k"}},
      {{{"load_reconnect_v { value: 12.6 }", "load_reconnect_v { value: 12.6 } sensor_fault_v { value: 16 }"}},
       {b + "54:27: declared.over_voltage_v: is 15.5, must be above sensor_fault_v (16)"}},
      {{{"max_bus_v { value: 35 }", "max_bus_v { value: 15 }"}},
       {b + "25:22: stage.max_bus_v: is 15, must be above over_voltage_v (15.5)"}},
      {{{"load_output { pin: \"PD4\" polarity: ACTIVE_HIGH pull: PULL_DOWN on_resistance_ohm { value: 0.02 } }", ""}},
       {b + "55:30: declared.load_disconnect_v: is declared, but the board has no load_output",
        b + "56:29: declared.load_reconnect_v: is declared, but the board has no load_output"}},
  });
}

TEST_F(Board, MustHaveASettingsMemoryThatCanBeRead) {
  const std::string at = "board.textproto:10:17: mcu.eeprom_image: ";
  expect(
      {{{{"\"settings.hex\"", "\"setting.hex\""}}, {at + "setting.hex: does not exist; did you mean settings.hex?"}}});
  (void)write("settings.hex", ":0403FE0001020304F1\n:00000001FF\n");
  const auto complaints = complaints_of([&] { (void)load(); });
  ASSERT_EQ(complaints.size(), 1U);
  EXPECT_TRUE(complaints[0].starts_with(at + "settings.hex:1")) << complaints[0];
}

TEST_F(Board, IsToldAllItsFaultsAtOnceInTheOrderOfItsLines) {
  expect(
      {{{{"\"PB1\"", "\"PZ1\""},
         {"clock_hz { value: 8e6 }", "clock_hz: 8e6"},
         {"series_pwm {", "boost {"},
         {"name: \"panel\"", "name: \"battery\""},
         {"r_top_ohm { value: 60e3 }", "r_top_kohm { value: 60 }"},
         {"float_v { value: 13.6 }", "float_v { value: -1 }"},
         {"load_reconnect_v { value: 12.6 }", "load_reconnect_v { value: 11 }"}},
        {"board.textproto:6:13: mcu.clock_hz: is 8e6, must be a block: clock_hz { value: 8e6 }",
         "board.textproto:12:13: gate.pin: is \"PZ1\", a pin that atmega328p does not have",
         "board.textproto:14:1: stage: has no topology, write one of series_pwm, shunt_pwm, buck",
         "board.textproto:15:3: stage.boost: unknown; must be one of series_pwm, shunt_pwm, buck, heat_sink, max_bus_v",
         "board.textproto:34:9: sense[1].name: is \"battery\", the name of sense[0]",
         "board.textproto:37:13: sense[1].divider.r_top_kohm: unknown; did you mean r_top_ohm (ohm)?",
         "board.textproto:50:20: declared.float_v: is -1, must be at least 1",
         "board.textproto:56:29: declared.load_reconnect_v: is 11, must be above load_disconnect_v (11.4)"}}});
}

TEST_F(Board, MayComeFromAnotherSystem) {
  std::string text = "\xEF\xBB\xBF" + good("board.textproto");
  for (std::size_t at = text.find('\n'); at != std::string::npos; at = text.find('\n', at + 2)) text.insert(at, "\r");
  EXPECT_EQ(load_board(write("dos.textproto", text)).sense.size(), 3U);
}

TEST_F(Board, ThatIsCutOffAnywhereIsRefused) {
  const std::string text = good("board.textproto");
  const std::size_t end = text.find("hooks {");
  for (std::size_t length = 0; length + 2 < end; length += 7) {
    const auto cut = write("cut.textproto", text.substr(0, length));
    EXPECT_THROW((void)load_board(cut), base::BadInput) << length;
  }
}

TEST(BoardFixtures, AreAllGood) {
  int boards = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(std::string(DAWNRIG_SOURCE_DIR) + "/fixtures/profiles")) {
    if (base::read_text(entry.path()).find("dawnrig.proto.BoardProfile") == std::string::npos) continue;
    ++boards;
    EXPECT_NO_THROW((void)load_board(entry.path())) << entry.path();
  }
  EXPECT_GT(boards, 1);
}

}  // namespace
}  // namespace dawnrig::profile
