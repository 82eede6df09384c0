// Sense networks as people write them: read as written, and refused where the device could not see through them.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "harness/profile/profile.h"
#include "tests/profile/edited_file.h"

namespace dawnrig::profile {
namespace {

using ::testing::ElementsAreArray;

class Sense : public testing::EditedBoard {
 protected:
  const std::string pull_up = "r_pull_up_ohm { value: 47e3 }";
  const std::string beta = "r_25_ohm { value: 10e3 } beta_k { value: 3950 }";
  const std::string b = "board.textproto:";
};

TEST_F(Sense, ReadsAThermistorOnTheSupplySideWithItsResistorsAndItsTable) {
  const BoardProfile board =
      load({{pull_up, "r_pull_down_ohm { value: 9e3 } r_series_ohm { value: 1e3 } r_parallel_ohm { value: 47e3 }"},
            {beta, "table { degc: -20 r_ohm: 96e3 } table { degc: 25 r_ohm: 10e3 } table { degc: 60 r_ohm: 2.5e3 }"}});
  const auto& thermistor = std::get<plant::ThermistorInputParams>(board.sense[2].network.network);
  EXPECT_TRUE(thermistor.to_supply);
  EXPECT_EQ(thermistor.r_fixed_ohm, 9e3);
  EXPECT_EQ(thermistor.r_series_ohm, 1e3);
  EXPECT_EQ(thermistor.r_parallel_ohm, 47e3);
  const auto& table = std::get<plant::ThermistorTable>(thermistor.curve);
  EXPECT_EQ(table.count, 3U);
  EXPECT_EQ(table.points[2].r_ohm, 2.5e3);
}

TEST_F(Sense, ReadsTheCoefficientsOfSteinhartAndHart) {
  const BoardProfile board = load({{beta,
                                    "steinhart_hart { a_per_k { value: 1.12924e-3 } b_per_k { value: 2.34108e-4 } "
                                    "c_per_k { value: 8.7755e-8 } }"}});
  const auto& thermistor = std::get<plant::ThermistorInputParams>(board.sense[2].network.network);
  EXPECT_FALSE(thermistor.to_supply);
  EXPECT_EQ(std::get<plant::SteinhartHart>(thermistor.curve).c_per_k, 8.7755e-8);
}

TEST_F(Sense, ReadsLeaksOfPinAndDiode) {
  const BoardProfile board =
      load({{"divider { r_top_ohm { value: 30e3 }",
             "pin_leak_a { value: 1e-7 } pin_leak_doubling_k { value: 10 }\n"
             "offset_divider { diode_v { value: 6.2 } diode_test_a { value: 5e-3 } knee_v { value: 0.05 }\n"
             "diode_leak_a { value: 3e-6 } diode_leak_test_v { value: 4 } diode_leak_doubling_k { value: 12 }\n"
             "r_top_ohm { value: 20e3 }"}});
  const auto& diode = std::get<plant::OffsetDividerParams>(board.sense[0].network.network);
  EXPECT_EQ(board.sense[0].network.pin_leak_a, 1e-7);
  EXPECT_EQ(board.sense[0].network.pin_leak_doubling_k, 10);
  EXPECT_EQ(diode.diode_leak_a, 3e-6);
  EXPECT_EQ(diode.diode_leak_test_v, 4);
  EXPECT_EQ(diode.diode_leak_slope_v, 1);
  EXPECT_EQ(diode.diode_leak_doubling_k, 12);
}

TEST_F(Sense, MustKnowWhatItsThermistorIs) {
  const std::string at = "sense[2].thermistor";
  expect({
      {{{pull_up, ""}},
       {b + "43:3: " + at +
        ".r_pull_up_ohm: is missing: write it for a thermistor to ground, or r_pull_down_ohm for one to the supply"}},
      {{{pull_up, pull_up + " r_pull_down_ohm { value: 10e3 }"}},
       {b + "44:60: " + at +
        ".r_pull_down_ohm: cannot stand beside r_pull_up_ohm: the thermistor is to ground or to the supply"}},
      {{{beta, "r_25_ohm { value: 10e3 }"}},
       {b + "43:3: " + at +
        ".beta_k: is missing: a thermistor has r_25_ohm and beta_k, or steinhart_hart, or a table"}},
      {{{beta, ""}},
       {b + "43:3: " + at +
            ".r_25_ohm: is missing: a thermistor has r_25_ohm and beta_k, or steinhart_hart, or a table",
        b + "43:3: " + at +
            ".beta_k: is missing: a thermistor has r_25_ohm and beta_k, or steinhart_hart, or a table"}},
      {{{beta, beta + " table { degc: 0 r_ohm: 30e3 } table { degc: 25 r_ohm: 10e3 }"}},
       {b + "44:83: " + at + ".table[0]: cannot stand beside another law of the thermistor"}},
      {{{beta, "table { degc: 0 r_ohm: 30e3 } table { degc: 25 r_ohm: 40e3 }"}},
       {b + "44:89: " + at +
        ".table[1].r_ohm: is not below the point before: the resistance must fall as it gets warmer"}},
      {{{beta, "steinhart_hart { a_per_k { value: 1e-3 } b_per_k { value: 5e-5 } c_per_k { value: 0 } }"}},
       {b + "44:35: " + at + ".steinhart_hart: does not make 10 ohm to 10 Mohm at 25 degC: is a coefficient off?"}},
  });
}

TEST_F(Sense, MustLetTheDeviceFollowTheTemperatureItDeclares) {
  expect({
      {{{pull_up, "r_pull_up_ohm { value: 10e3 }"}},
       {b + "43:3: sense[2].thermistor: puts the pin at 4.267 V at compensation_lowest_degc (-10), must be 4 codes "
            "inside 0 to 4.096 V: the device could not follow the temperature"}},
      {{{pull_up, pull_up + " r_parallel_ohm { value: 300 }"}},
       {b +
        "43:3: sense[2].thermistor: puts the pin at 0.032 V at compensation_lowest_degc (-10), which is what an open "
        "thermistor reads: the device could not tell"}},
  });
}

TEST_F(Sense, MustGiveTheLeakOfADiodeWithItsVoltage) {
  const auto leak = [](const std::string& more) {
    return "offset_divider { diode_v { value: 6.2 } diode_test_a { value: 5e-3 } knee_v { value: 0.05 } " + more +
           " r_top_ohm { value: 20e3 }";
  };
  const std::string at = "31:3: sense[0].offset_divider";
  const std::string divider = "divider { r_top_ohm { value: 30e3 }";
  expect({
      {{{divider, leak("diode_leak_a { value: 3e-6 }")}},
       {b + "31:3: sense[0].offset_divider.diode_leak_test_v: is missing: diode_leak_a means nothing without the "
            "voltage it leaks at"}},
      {{{divider, leak("diode_leak_slope_v { value: 1 }")}},
       {b + "31:123: sense[0].offset_divider.diode_leak_slope_v: means nothing without diode_leak_a"}},
      {{{divider, leak("diode_leak_a { value: 3e-6 } diode_leak_test_v { value: 7 }")}},
       {b + "31:151: sense[0].offset_divider.diode_leak_test_v: must be below diode_v: leakage is given below the "
            "breakdown"}},
      {{{divider,
         leak("diode_leak_a { value: 3e-6 } diode_leak_test_v { value: 4 } diode_leak_slope_v { value: 0.2 }")}},
       {b + "31:183: sense[0].offset_divider.diode_leak_slope_v: makes the leak alone exceed diode_test_a at diode_v, "
            "must be larger"}},
  });
}

TEST_F(Sense, ReadsAShuntAmplifierAndFitsItsShuntIntoItsBranch) {
  const auto amplifier = [](const std::string& quantity) {
    return "sense {\n  name: \"current\" quantity: " + quantity +
           " adc_pin: \"ADC3\"\n  shunt_amplifier { shunt_ohm { value: 0.004 } gain_v_per_v { value: 50 } r_out_ohm { "
           "value: 1e3 } capacitance_f { value: 1e-7 } }\n}\ndeclared {";
  };
  const SiteProfile site = load_site(write("site.textproto", good("site.textproto")));
  const plant::CircuitParams without = circuit_of(load(), site);
  const BoardProfile charge = load({{"declared {", amplifier("CHARGE_CURRENT")}});
  EXPECT_EQ(charge.sense[3].network.node, plant::SenseNode::kChargeCurrent);
  const auto& read = std::get<plant::ShuntAmplifierParams>(charge.sense[3].network.network);
  EXPECT_EQ(read.gain_v_per_v, 50);
  EXPECT_EQ(read.lowest_v, 0.02);
  EXPECT_EQ(read.headroom_v, 0.05);
  EXPECT_DOUBLE_EQ(circuit_of(charge, site).stage.blocking_diode.series_resistance_ohm,
                   without.stage.blocking_diode.series_resistance_ohm + 0.004);
  const BoardProfile load_current = load({{"declared {", amplifier("LOAD_CURRENT")}});
  EXPECT_DOUBLE_EQ(circuit_of(load_current, site).load_switch_ohm, without.load_switch_ohm + 0.004);
  const BoardProfile battery = load({{"declared {", amplifier("BATTERY_CURRENT")}});
  EXPECT_DOUBLE_EQ(circuit_of(battery, site).battery_cable_ohm, without.battery_cable_ohm + 0.004);
  EXPECT_THAT(complaints_of([&] {
                (void)load({{"declared {", amplifier("PANEL_VOLTAGE")}});
              }),
              ElementsAreArray({b + "49:3: sense[3].shunt_amplifier: measures a current, but the quantity is none"}));
}

TEST_F(Sense, MustSeeTheCurrentsThatTheBoardDeclares) {
  const auto board = [](const std::string& quantity, const std::string& more, const std::string& declared) {
    return testing::Edits{
        {"declared {", "sense {\n  name: \"current\" quantity: " + quantity +
                           " adc_pin: \"ADC3\"\n  shunt_amplifier { shunt_ohm { value: 0.004 } gain_v_per_v { "
                           "value: 50 } r_out_ohm { value: 1e3 } capacitance_f { value: 1e-7 } " +
                           more + " }\n}\ndeclared { " + declared}};
  };
  const std::string at = b + "49:3: sense[3].shunt_amplifier: would put the pin at ";
  expect({
      {board("CHARGE_CURRENT", "", "rated_charge_a { value: 20 }"), {}},
      {board("CHARGE_CURRENT", "", "rated_charge_a { value: 21 }"),
       {at + "4.2 V at rated_charge_a (21), must be within 0.02 to 4.096 V: the device could not see the current"}},
      {board("LOAD_CURRENT", "headroom_v { value: 2 }", "rated_load_a { value: 15 }"),
       {at + "3 V at rated_load_a (15), must be within 0.02 to 3 V: the device could not see the current"}},
      {board("BATTERY_CURRENT", "bias_v { value: 1 }", "rated_charge_a { value: 15 } rated_load_a { value: 10 }"),
       {at + "-1 V at rated_load_a (10), must be within 0.02 to 4.096 V: the device could not see the current"}},
  });
}

TEST_F(Sense, ReadsTheSamplingCapacitorOfTheConverter) {
  const BoardProfile ideal = load();
  EXPECT_EQ(ideal.adc_input.sampling_capacitance_f, 0);
  const BoardProfile board =
      load({{"  aref_v { value: 4.096 }",
             "  aref_v { value: 4.096 } adc_input { sampling_capacitance_f { value: 14e-12 } }"}});
  EXPECT_EQ(board.adc_input.sampling_capacitance_f, 14e-12);
  EXPECT_EQ(board.adc_input.switch_ohm, 10e3);
  EXPECT_EQ(board.adc_input.acquisition_s, 12e-6);
}

TEST_F(Sense, KeepsWhatTheMakersPromiseOfEveryPart) {
  const BoardProfile board =
      load({{"divider { r_top_ohm { value: 30e3 }",
             "averaged_codes: 16 pin_leak_a { value: 1e-8 tolerance_abs: 5e-9 }\n"
             "divider { r_top_ohm { value: 30e3 tolerance_frac: 0.01 drift_per_k: 1e-4 source: \"thick film\" }"}});
  const SenseChannel& battery = board.sense[0];
  EXPECT_EQ(battery.averaged_codes, 16);
  ASSERT_EQ(battery.parts.size(), 4U);
  EXPECT_EQ(battery.parts[0].field, "r_top_ohm");
  EXPECT_DOUBLE_EQ(battery.parts[0].tolerance, 300);
  EXPECT_EQ(battery.parts[0].drift_per_k, 1e-4);
  EXPECT_EQ(battery.parts[0].source, "thick film");
  EXPECT_EQ(battery.parts[3].field, "pin_leak_a");
  EXPECT_EQ(battery.parts[3].tolerance, 5e-9);
  const auto supply = std::find_if(board.converter.begin(), board.converter.end(),
                                   [](const Part& part) { return part.field == "supply_v"; });
  ASSERT_NE(supply, board.converter.end());
  EXPECT_DOUBLE_EQ(supply->tolerance, 0.05);
}

TEST_F(Sense, KnowsWhatTheConverterMeasuresAgainst) {
  const std::string channel = "adc_pin: \"ADC1\"";
  const auto reference_v = [&](const std::string& name) {
    const BoardProfile board = load({{channel, channel + " reference: " + name}});
    return board.reference_v(board.sense[1]);
  };
  EXPECT_EQ(reference_v("SUPPLY"), 5);
  EXPECT_EQ(reference_v("AREF_PIN"), 4.096);
  EXPECT_EQ(reference_v("BAND_GAP"), 1.1);
  expect({{{{"  aref_v { value: 4.096 }\n", ""}, {channel, channel + "\nreference: AREF_PIN"}},
           {b + "36:12: sense[1].reference: is AREF_PIN, but mcu.aref_v is not written"}}});
}

TEST_F(Sense, IsToldWhereTheFirmwareSaysWhatItReads) {
  const std::string counter = "hooks { millisecond_counter { symbol: \"milliseconds\" width_bytes: 4 } ";
  const auto hooks = [&](const std::string& reading) {
    return testing::Edits{{counter.substr(0, counter.size() - 1) + " }", counter + "\nreading { " + reading + " } }"}};
  };
  const BoardProfile board =
      load(hooks("channel: \"cells\" symbol: \"ddegc\" scale: 0.1 width_bytes: 2 is_signed: true"));
  ASSERT_EQ(board.hooks.readings.size(), 1U);
  EXPECT_EQ(board.hooks.readings[0].symbol, "ddegc");
  EXPECT_TRUE(board.hooks.readings[0].is_signed);
  EXPECT_EQ(board.hooks.readings[0].settle_s, 0.2);
  const std::string at = b + "59:";
  expect({{hooks("channel: \"batery\" pattern: \"v=(.*)\" scale: 1"),
           {at + "20: hooks.reading[0].channel: is \"batery\", no sense channel of this board; did you mean battery?"}},
          {hooks("channel: \"battery\" pattern: \"v=.*\" scale: 1"),
           {at + "39: hooks.reading[0].pattern: is \"v=.*\", must be a regular expression with one group for the "
                 "number, as in \"batt_mv=([0-9]+)\""}},
          {hooks("channel: \"battery\" pattern: \"v=(\" scale: 1"),
           {at + "39: hooks.reading[0].pattern: is \"v=(\", must be a regular expression with one group for the "
                 "number, as in \"batt_mv=([0-9]+)\""}},
          {hooks("channel: \"battery\" symbol: \"mv\" scale: 1"),
           {at + "1: hooks.reading[0].width_bytes: is missing: a variable has a width"}},
          {hooks("channel: \"battery\" pattern: \"v=(.*)\" scale: 0"),
           {at + "55: hooks.reading[0].scale: is 0, must be what one count is worth: 0.001 for millivolts"}}});
}

}  // namespace
}  // namespace dawnrig::profile
