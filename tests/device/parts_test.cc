#include "harness/device/parts.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

namespace dawnrig::device {
namespace {

using ::testing::ElementsAre;

int pins_of(std::string_view part) {
  int count = 0;
  for (char port = 'A'; port <= 'Z'; ++port) {
    for (int bit = 0; bit < 10; ++bit) {
      const std::string name{'P', port, static_cast<char>('0' + bit)};
      const auto pin = pin_named(part, name);
      if (pin) {
        EXPECT_EQ(*pin, (Pin{port, bit})) << name;
        ++count;
      }
    }
  }
  return count;
}

TEST(Parts, AreThoseTheRigKnows) {
  EXPECT_THAT(known_parts(), ElementsAre("atmega328p", "atmega328", "atmega2560"));
  for (const std::string& part : known_parts()) EXPECT_TRUE(facts_of(part)) << part;
  EXPECT_FALSE(facts_of("attiny13"));
  EXPECT_FALSE(facts_of("ATmega328P"));
  EXPECT_FALSE(facts_of(""));
}

TEST(Parts, HaveTheMemoriesOfTheirDataSheets) {
  const auto small = facts_of("atmega328p");
  ASSERT_TRUE(small);
  EXPECT_EQ(small->flash_bytes, 32768U);
  EXPECT_EQ(small->sram_bytes, 2048U);
  EXPECT_EQ(small->eeprom_bytes, 1024U);
  EXPECT_EQ(small->adc_channels, 8);
  const auto large = facts_of("atmega2560");
  ASSERT_TRUE(large);
  EXPECT_EQ(large->flash_bytes, 262144U);
  EXPECT_EQ(large->sram_bytes, 8192U);
  EXPECT_EQ(large->eeprom_bytes, 4096U);
  EXPECT_EQ(large->adc_channels, 16);
}

TEST(Parts, HaveThePinsOfTheirDataSheetsAndNoOthers) {
  EXPECT_EQ(pins_of("atmega328p"), 23);
  EXPECT_EQ(pins_of("atmega328"), 23);
  EXPECT_EQ(pins_of("atmega2560"), 86);
  EXPECT_TRUE(pin_named("atmega328p", "PC6"));
  EXPECT_FALSE(pin_named("atmega328p", "PC7"));
  EXPECT_FALSE(pin_named("atmega328p", "PA0"));
  EXPECT_TRUE(pin_named("atmega2560", "PG5"));
  EXPECT_FALSE(pin_named("atmega2560", "PG6"));
  EXPECT_FALSE(pin_named("atmega2560", "PI0")) << "the letter I was left out";
}

TEST(Parts, KnowAPinByItsExactNameOnly) {
  for (const char* name : {"", "P", "PB", "B1", "pb1", "PB8", "PB9", "PB-", "PB10", "PB1 ", " PB1", "PBx"}) {
    EXPECT_FALSE(pin_named("atmega328p", name)) << '"' << name << '"';
  }
  EXPECT_FALSE(pin_named("attiny13", "PB1"));
}

TEST(Parts, KnowTheirAdcInputsByChannel) {
  for (int channel = 0; channel < 8; ++channel) {
    EXPECT_EQ(adc_channel_named("atmega328p", "ADC" + std::to_string(channel)), channel);
  }
  for (int channel = 0; channel < 16; ++channel) {
    EXPECT_EQ(adc_channel_named("atmega2560", "ADC" + std::to_string(channel)), channel);
  }
  EXPECT_FALSE(adc_channel_named("atmega328p", "ADC8"));
  EXPECT_FALSE(adc_channel_named("atmega2560", "ADC16"));
}

TEST(Parts, KnowTheirAdcInputsByPin) {
  for (int bit = 0; bit < 6; ++bit) {
    EXPECT_EQ(adc_channel_named("atmega328p", "PC" + std::to_string(bit)), bit);
  }
  for (int bit = 0; bit < 8; ++bit) {
    EXPECT_EQ(adc_channel_named("atmega2560", "PF" + std::to_string(bit)), bit);
    EXPECT_EQ(adc_channel_named("atmega2560", "PK" + std::to_string(bit)), bit + 8);
  }
  EXPECT_FALSE(adc_channel_named("atmega328p", "PC6")) << "the reset pin";
  EXPECT_FALSE(adc_channel_named("atmega328p", "PB0"));
  EXPECT_FALSE(adc_channel_named("atmega2560", "PC0"));
}

TEST(Parts, RefuseAMisspelledAdcInput) {
  for (const char* name : {"", "ADC", "ADC-1", "ADC01", "ADC1x", "adc1", "ADC 1", "AIN0", "ADC+1", "ADC99999999999"}) {
    EXPECT_FALSE(adc_channel_named("atmega2560", name)) << '"' << name << '"';
  }
  EXPECT_FALSE(adc_channel_named("attiny13", "ADC0"));
}

}  // namespace
}  // namespace dawnrig::device
