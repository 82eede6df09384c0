// From the terminal to the code and back.
#include "harness/metering/transfer.h"

#include <gmock/gmock.h>

#include <cmath>

#include "harness/metering/chain.h"
#include "tests/metering/boards.h"

namespace dawnrig::metering {
namespace {

using ::testing::HasSubstr;
using testing::ridge;

Chain chain_with(plant::SenseNode node, const decltype(plant::SenseParams::network)& network) {
  Chain chain;
  chain.network.node = node;
  chain.network.network = network;
  return chain;
}

TEST(Chain, TurnsEveryNetworkRoundAndComesBackToWhereItWas) {
  std::vector<std::pair<std::string, Chain>> chains;
  chains.emplace_back("divider", chain_with(plant::SenseNode::kBus, plant::DividerParams{100e3, 15e3, 1e-7}));
  chains.push_back({"leaky pin", chains.back().second});
  chains.back().second.network.pin_leak_a = 1e-6;
  chains.back().second.network.pin_leak_doubling_k = 10;
  plant::OffsetDividerParams offset;
  offset.r_top_ohm = 33e3;
  offset.r_bottom_ohm = 11e3;
  chains.emplace_back("offset diode", chain_with(plant::SenseNode::kBus, offset));
  offset.diode_leak_a = 2e-6;
  chains.emplace_back("leaky offset diode", chain_with(plant::SenseNode::kBus, offset));
  chains.emplace_back("thermistor", chain_with(plant::SenseNode::kBatteryTemperature, plant::ThermistorInputParams{}));
  plant::ShuntAmplifierParams amplifier;
  amplifier.bias_v = 2.5;
  amplifier.gain_v_per_v = -20;
  chains.emplace_back("inverting amplifier", chain_with(plant::SenseNode::kBatteryCurrent, amplifier));
  for (const auto& [name, chain] : chains) {
    for (const double degc : {-10.0, 25.0, 60.0}) {
      for (int code = 50; code < 980; code += 31) {
        const double sensed = sensed_at(chain, code + 0.5, degc);
        EXPECT_NEAR(position_lsb(chain, sensed, degc), code + 0.5, 1e-6) << name << " at " << degc << " °C";
      }
    }
  }
}

TEST(Chain, MeasuresAgainstTheReferenceThatTheProfileNames) {
  Chain chain = chain_with(plant::SenseNode::kBus, plant::DividerParams{90e3, 10e3, 1e-7});
  EXPECT_NEAR(position_lsb(chain, 10, 25), 1024 * 1.0 / 5, 1e-9);
  chain.reference = profile::AdcReference::kBandGap;
  EXPECT_NEAR(position_lsb(chain, 10, 25), 1024 * 1.0 / 1.1, 1e-9);
  chain.bits = 12;
  EXPECT_NEAR(position_lsb(chain, 10, 25), 4096 * 1.0 / 1.1, 1e-9);
}

TEST(Chain, ShowsTheErrorsOfTheConverterInCodes) {
  Chain chain = chain_with(plant::SenseNode::kBus, plant::DividerParams{90e3, 10e3, 1e-7});
  const double without = position_lsb(chain, 25, 25);
  chain.adc = {.offset_lsb = 2, .gain_error_frac = 0.01, .inl_lsb = 0.5, .noise_lsb = 0};
  EXPECT_NEAR(position_lsb(chain, 25, 25), 1.01 * without + 2 + 0.5, 1e-9) << "the bow is fullest at half the range";
}

TEST(Transfer, OfADividerIsItsRatioAllTheWay) {
  const Account account = transfer(ridge("a"), {.channel = "battery"});
  const Table& table = account.sections[0].tables[0];
  for (const auto& row : table.rows) {
    const double sensed = std::get<double>(row[1]);
    EXPECT_NEAR(std::get<double>(row[2]), sensed * 15 / 115, 1e-9);
    EXPECT_EQ(std::get<double>(row[3]), std::floor(sensed * 15 / 115 / 5 * 1024)) << sensed << " V";
    EXPECT_NEAR(std::get<double>(row[6]), 1e3 * 5.0 / 1024 * 115 / 15, 1e-6) << "a step is a step";
    EXPECT_NEAR(std::get<double>(row[7]), 0, 1e-6) << "a divider does not bend";
    EXPECT_NEAR(std::get<double>(row[8]), 1e6 * sensed / 115e3, 1e-6);
  }
  EXPECT_THAT(account.sections[0].sentences[0], HasSubstr("It measures 0.04 to 38.30 V"));
}

TEST(Transfer, SaysWhatTheOffsetDiodeReallyDoes) {
  const Account account = transfer(ridge("b"), {.channel = "battery"});
  const std::string text = text_of(account);
  // By hand: 0.317 mA at 28.8 V, where 15 V - 50 mV ln(5 mA / 0.317 mA) = 14.862 V.
  const Table& table = account.sections[0].tables[0];
  ASSERT_EQ(std::get<std::string>(table.rows[3][0]), "absorption");
  EXPECT_NEAR(std::get<double>(table.rows[3][8]), 316.8, 0.1);
  EXPECT_THAT(text, HasSubstr("0.186 to 0.378 mA, 3.7 to 7.6 % of the 5.0 mA of its data sheet"));
  EXPECT_THAT(text, HasSubstr("drops 14.835 to 14.871 V there, not the 15.000 V of its label"));
  EXPECT_THAT(text, HasSubstr("as if the battery had moved by −500 mV")) << "50 K at 10 mV per kelvin";
  EXPECT_LT(std::get<double>(table.rows[2][7]), -2) << "between the outer set points the knee lies below the line";
}

TEST(Transfer, OfAThermistorRunsOverTemperature) {
  const Account account = transfer(ridge("a"), {.channel = "thermistor"});
  const Table& table = account.sections[0].tables[0];
  ASSERT_EQ(table.rows.size(), 3U);
  EXPECT_EQ(table.columns[1].name, "sensed_degc");
  EXPECT_NEAR(std::get<double>(table.rows[1][2]), 2.5, 1e-9) << "10 k over 10 k at 25 °C";
  EXPECT_GT(std::get<double>(table.rows[0][3]), std::get<double>(table.rows[2][3])) << "colder reads higher";
  EXPECT_THAT(account.sections[0].sentences[0],
              ::testing::ContainsRegex("It measures −[5-8][0-9]\\.[0-9]+ to 1[0-9][0-9]"));
}

TEST(Transfer, NamesTheChannelThatWasProbablyMeant) {
  EXPECT_THAT(testing::refusal_of([] { (void)transfer(ridge("a"), {.channel = "batery"}); }),
              HasSubstr("did you mean battery?"));
  EXPECT_THAT(testing::refusal_of([] { (void)transfer(ridge("a"), {.channel = "battery", .from_degc = 50}); }),
              HasSubstr("--to-degc: is 40, must be 50 to 150"));
}

}  // namespace
}  // namespace dawnrig::metering
