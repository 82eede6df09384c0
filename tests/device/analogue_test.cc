// The converter: when it samples, what it reads, and from which reference.
#include <gtest/gtest.h>

#include <cmath>

#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

constexpr unsigned kAdcsra = 0x7A;
constexpr unsigned kAdcsrb = 0x7B;
constexpr unsigned kAdmux = 0x7C;
constexpr unsigned kAdcl = 0x78;
constexpr unsigned kAdch = 0x79;

/// Converts over and over and stores each code, two results per conversion.
Script conversions(unsigned admux, unsigned adcsrb = 0) {
  Script script;
  script.write(kAdmux, admux).write(kAdcsrb, adcsrb).write(kAdcsra, 0x82);
  const auto again = static_cast<unsigned>(script.bytes().size() / 4);
  return script.write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40).read(kAdcl).read(kAdch).back_to(again);
}

int code_of(const std::vector<std::uint8_t>& results, std::size_t which) {
  return results[2 * which] | (results[2 * which + 1] << 8);
}

/// Runs until `count` codes were stored, at most 127.
std::vector<std::uint8_t> run_codes(Player& player, std::size_t count) {
  player.device.run_until(5'000);  // past the clearing of memory
  while (player.results().size() < 2 * count) {
    player.device.run_until(player.device.now() + 500);
  }
  player.device.run_until(player.device.now() + 100);  // counted is not yet stored
  return player.results();
}

struct Reference {
  std::string part;
  unsigned refs;
  double volts;
};

class EveryReference : public testing::TestWithParam<Reference> {};

TEST_P(EveryReference, ReadsEveryOneOfThe1024CodesExactly) {
  for (int first = 0; first < 1024; first += 120) {
    Player player(conversions(GetParam().refs << 6U), {}, GetParam().part);
    int asked = first;
    player.witness.adc_v = [&](Cycle, int) { return (asked++ + 0.5) * GetParam().volts / 1024.0; };
    const int count = std::min(120, 1024 - first);
    const auto results = run_codes(player, static_cast<std::size_t>(count));
    for (int i = 0; i < count; ++i) {
      ASSERT_EQ(code_of(results, static_cast<std::size_t>(i)), first + i) << "reference " << GetParam().volts << " V";
    }
  }
}

INSTANTIATE_TEST_SUITE_P(Parts, EveryReference,
                         testing::Values(Reference{"atmega328p", 0, 5.0}, Reference{"atmega328p", 1, 5.0},
                                         Reference{"atmega328p", 3, 1.1}, Reference{"atmega2560", 0, 5.0},
                                         Reference{"atmega2560", 1, 5.0}, Reference{"atmega2560", 2, 1.1},
                                         Reference{"atmega2560", 3, 2.56}),
                         [](const auto& one) { return one.param.part + "Selection" + std::to_string(one.param.refs); });

TEST(Sampling, HappensOneAndAHalfClocksAfterTheStartAndThirteenAndAHalfTheFirstTime) {
  // PB5 goes high in the step before each start; ADC clock 128 cycles, so the player's own delay is small beside it.
  Script script;
  script.write(0x24, 0x20).write(kAdmux, 0x40);
  script.write(kAdcsra, 0xC7).until_clear(kAdcsra, 0x40).write(0x25, 0x20);  // the first: enable and start in one
  script.write(kAdcsra, 0xC7).until_clear(kAdcsra, 0x40).write(0x25, 0x00);
  script.write(kAdcsra, 0xC7).until_clear(kAdcsra, 0x40).write(0x25, 0x20);
  Player player(script, {{'B', 5}});
  player.device.run_until(20'000);
  const auto& samples = player.witness.samples;
  const auto done = player.witness.of({'B', 5});
  ASSERT_EQ(samples.size(), 3U);
  ASSERT_EQ(done.size(), 4U);  // the first is the pin becoming an output
  // From the sample to the end 11.5 clocks remain, always.
  for (std::size_t i = 0; i < 3; ++i) {
    const Cycle rest = done[i + 1].at - samples[i].at;
    EXPECT_GE(rest, 11 * 128 + 64) << "conversion " << i;
    EXPECT_LE(rest, 11 * 128 + 64 + 160) << "conversion " << i;
  }
  // Starts fall on the raster of the ADC clock, which began with the enabling.
  EXPECT_EQ((samples[1].at - samples[0].at) % 128, 0) << "13.5 and 1.5 clocks after edges of the same clock";
  EXPECT_EQ((samples[2].at - samples[1].at) % 128, 0);
  EXPECT_LE(samples[2].at - samples[1].at, 15 * 128) << "13 clocks, the polling, and the wait for the next edge";
}

TEST(Sampling, RunsFreelyEveryThirteenClocks) {
  Script script;
  script.write(kAdmux, 0x43).write(kAdcsra, 0xE4).enable_interrupts().sleep();  // a clock of 16 cycles
  Player player(script, {});
  player.device.run_until(100'000);
  const auto& samples = player.witness.samples;
  ASSERT_GT(samples.size(), 400U);
  for (std::size_t i = 1; i < samples.size(); ++i) {
    ASSERT_EQ(samples[i].at - samples[i - 1].at, 13 * 16) << "sample " << i;
    ASSERT_EQ(samples[i].channel, 3);
  }
}

TEST(Sampling, HoldsItsCodeWhateverChangesBeforeItIsRead) {
  Script script;
  script.write(kAdmux, 0x40).write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40).wait(20).write(kAdmux, 0xC5).wait(20);
  script.write(kAdmux, 0x40).read(kAdcl).read(kAdch);
  Player player(script, {});
  player.witness.adc_v = [](Cycle at, int) { return at < 2'000 ? 1.25 : 4.0; };
  player.device.run_until(100'000);
  ASSERT_EQ(player.witness.samples.size(), 1U);
  ASSERT_LT(player.witness.samples[0].at, 2'000);
  EXPECT_EQ(code_of(player.results(), 0), 256);
}

TEST(Reading, LeftAdjustsOnRequest) {
  Player player(conversions(0x60), {});
  player.witness.adc_v = [](Cycle, int) { return 5.0 * 515.5 / 1024.0; };
  EXPECT_EQ(code_of(run_codes(player, 1), 0), 515 << 6);
}

TEST(Reading, LosesAConversionThatEndsBetweenTheTwoBytes) {
  Script script;
  script.write(kAdmux, 0x40).write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40).read(kAdcl);
  script.write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40).read(kAdch).read(kAdcl).read(kAdch);
  Player player(script, {});
  int conversion = 0;
  player.witness.adc_v = [&conversion](Cycle, int) { return ++conversion == 1 ? 1.25 : 4.0; };
  player.device.run_until(20'000);
  ASSERT_EQ(player.witness.samples.size(), 2U);
  EXPECT_EQ(code_of(player.results(), 0), 256);
  EXPECT_EQ(code_of(player.results(), 1), 256) << "the second result found the register locked";
}

TEST(Reading, TurnsAResultRoundThatIsThereAlready) {
  Script script;
  script.write(kAdmux, 0x40).write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40);
  script.write(kAdmux, 0x60).read(kAdcl).read(kAdch).write(kAdmux, 0x40).read(kAdcl).read(kAdch);
  Player player(script, {});
  player.witness.adc_v = [](Cycle, int) { return 5.0 * 515.5 / 1024.0; };
  player.device.run_until(20'000);
  EXPECT_EQ(code_of(player.results(), 0), 515 << 6);
  EXPECT_EQ(code_of(player.results(), 1), 515);
}

TEST(Reading, FindsAResultThatCannotBeWrittenOver) {
  Script script;
  script.write(kAdmux, 0x40).write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40);
  script.write(kAdcl, 0x55).write(kAdch, 0x55).read(kAdcl).read(kAdch);
  Player player(script, {});
  player.witness.adc_v = [](Cycle, int) { return 1.25; };
  player.device.run_until(20'000);
  EXPECT_EQ(code_of(player.results(), 0), 256);
}

TEST(Reference, FollowsSupplyArefAndItsError) {
  const auto code_with = [](unsigned admux, const std::function<void(VirtualDevice&)>& change) {
    Player player(conversions(admux), {});
    player.witness.adc_v = [](Cycle, int) { return 1.0; };
    change(player.device);
    return code_of(run_codes(player, 1), 0);
  };
  EXPECT_EQ(code_with(0x40, [](VirtualDevice&) {}), 204);
  EXPECT_EQ(code_with(0x40, [](VirtualDevice& device) { device.set_supply_v(4.0); }), 256);
  EXPECT_EQ(code_with(0x00, [](VirtualDevice& device) { device.set_supply_v(4.0); }), 256) << "AREF tied to the supply";
  EXPECT_EQ(code_with(0xC0, [](VirtualDevice& device) { device.set_supply_v(4.0); }), 930) << "1.1 V stays";
  EXPECT_EQ(code_with(0xC0, [](VirtualDevice& device) { device.set_reference_error_frac(0.02); }), 912);
}

TEST(Reference, CanBeMeasuredAgainstTheSupplyAsTheBandGapChannel) {
  Player supply(conversions(0x4E), {});
  EXPECT_EQ(code_of(run_codes(supply, 1), 0), 225);  // floor(1024 * 1.1 / 5)
  Player low(conversions(0x4E), {});
  low.device.set_supply_v(3.3);
  EXPECT_EQ(code_of(run_codes(low, 1), 0), 341);
  Player ground(conversions(0x4F), {});
  EXPECT_EQ(code_of(run_codes(ground, 1), 0), 0);
  Player big(conversions(0x5E), {}, "atmega2560");
  EXPECT_EQ(code_of(run_codes(big, 1), 0), 225);
  EXPECT_TRUE(big.witness.samples.empty()) << "an internal channel asks nothing of the outside";
}

TEST(Channels, AreAllSixteenOnTheBigPart) {
  for (unsigned channel = 0; channel < 16; ++channel) {
    Player player(conversions(0x40 | (channel & 7U), channel > 7 ? 0x08 : 0), {}, "atmega2560");
    player.witness.adc_v = [](Cycle, int asked) { return 0.25 * asked + 0.01; };
    EXPECT_EQ(code_of(run_codes(player, 1), 0), static_cast<int>(1024 * (0.25 * channel + 0.01) / 5.0));
  }
}

TEST(Channels, OfDifferencesReadInTwosComplement) {
  Player player(conversions(0x50), {}, "atmega2560");  // ADC0 - ADC1, gain 1
  player.witness.adc_v = [](Cycle, int channel) { return channel == 0 ? 1.0 : 2.0; };
  EXPECT_EQ(code_of(run_codes(player, 1), 0), (-103) & 0x3FF);  // floor(-1 V * 512 / 5 V)
}

TEST(Noise, OnAPinHasTheAskedForSpreadAndRepeatsWithTheSeed) {
  const auto codes_with = [] {
    std::vector<double> codes;
    Player player(conversions(0x40), {});
    player.witness.adc_v = [](Cycle, int) { return 2.5; };
    player.device.set_pin_noise_v(0, 0.05);
    const auto results = run_codes(player, 120);
    for (std::size_t i = 0; i < 120; ++i) {
      codes.push_back(code_of(results, i));
    }
    return codes;
  };
  const auto codes = codes_with();
  EXPECT_EQ(codes, codes_with());
  double mean = 0;
  double square = 0;
  for (const double code : codes) {
    mean += code / 120.0;
    square += code * code / 120.0;
  }
  EXPECT_NEAR(mean, 512.0, 4.0);
  EXPECT_NEAR(std::sqrt(square - mean * mean), 0.05 * 1024.0 / 5.0, 2.0);
}

// As firmware starts one mostly: the bit is set in what was read, so that a flag that stood is written back.
TEST(Converter, LosesItsFlagToTheStartOfTheNextConversion) {
  Script script;
  script.write(kAdcsra, 0xC7).until_clear(kAdcsra, 0x40).read(kAdcsra).write(kAdcsra, 0xD7).read(kAdcsra);
  Player player(script, {});
  player.device.run_until(20'000);
  const auto results = player.results();
  ASSERT_EQ(results.size(), 2U);
  EXPECT_EQ(results[0], 0x97);
  EXPECT_EQ(results[1], 0xC7);
}

TEST(Converter, InterruptsTheMomentThatIsEnabledIfItsFlagStands) {
  Script script;
  script.write(kAdcsra, 0xC2).until_clear(kAdcsra, 0x40).enable_interrupts().write(kAdcsra, 0x8A).wait(1);
  Player player(script, {});
  player.device.run_until(20'000);
  EXPECT_EQ(player.entries(3), 1);
}

// A conversion begins at the next edge of a clock of 128 cycles, which runs since the converter was enabled. Until then
// the channel may still be changed.
TEST(Channels, AreChosenUntilTheConversionReallyBegins) {
  for (const bool ours : {true, false}) {
    for (const std::size_t nops : {0, 60, 95, 105, 300}) {
      std::vector<std::uint16_t> words{0xE400, 0x9300, 0x007C,  // ADMUX = 0x40
                                       0xE403, 0xE817, 0xEC27,  // ldi r16, 0x43; r17, 0x87; r18, 0xC7
                                       0x9310, 0x007A};         // ADCSRA = r17: enabled
      words.insert(words.end(), 20, 0);
      words.insert(words.end(), {0x9320, 0x007A});  // ADCSRA = r18, 22 cycles later: started
      words.insert(words.end(), nops, 0);
      words.insert(words.end(), {0x9300, 0x007C, 0xCFFF});  // ADMUX = r16
      DeviceParams params;
      params.startup_delay_s = 0;
      params.skip_idle = ours;
      Witness witness;
      VirtualDevice device(params, words_image(words), witness);
      device.run_until(5'000);
      ASSERT_EQ(witness.samples.size(), 1U);
      EXPECT_EQ(witness.samples[0].channel, nops < 100 ? 3 : 0) << nops << " cycles after the start";
    }
  }
}

}  // namespace
}  // namespace dawnrig::device
