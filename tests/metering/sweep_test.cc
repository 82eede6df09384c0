// Firmware tried with every code: right ones pass, and each mistake is found at the code where it begins.
#include "harness/metering/sweep.h"

#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>

#include "harness/metering/transfer.h"
#include "tests/metering/boards.h"

namespace dawnrig::metering {
namespace {

using ::testing::HasSubstr;
using testing::ridge;

profile::BoardProfile bench(const profile::Reading& reading) {
  profile::BoardProfile board = ridge("a");
  board.eeprom.reset();
  board.declared.startup_s = 0.05;
  board.hooks.readings = {reading};
  return board;
}

profile::BoardProfile line_bench() {
  return bench({.channel = "battery", .pattern = "mv=([0-9]+)", .symbol = "", .scale = 0.001, .settle_s = 0.002});
}

profile::BoardProfile variable_bench(const char* symbol, double scale, bool is_signed) {
  return bench({.channel = "battery",
                .pattern = "",
                .symbol = symbol,
                .scale = scale,
                .width_bytes = 2,
                .is_signed = is_signed,
                .settle_s = 0.002});
}

device::Image conversion(const std::string& name) {
  return device::load_image(std::string{DAWNRIG_TEST_IMAGE_DIR} + "/" + name + ".elf", "atmega328p");
}

const Finding* find(const Sweep& sweep, Fault fault) {
  const auto found = std::find_if(sweep.findings.begin(), sweep.findings.end(),
                                  [&](const Finding& finding) { return finding.fault == fault; });
  return found == sweep.findings.end() ? nullptr : &*found;
}

std::string told(const Sweep& sweep, const std::string& image) {
  return text_of(account_of(sweep, line_bench(), conversion(image), {.channel = "battery"}));
}

TEST(Sweep, OfARightConversionReadsEveryCodeInItsMiddle) {
  const Sweep sweep = metering::sweep(line_bench(), conversion("right"), {.channel = "battery"});
  ASSERT_EQ(sweep.tried.size(), 1024U);
  for (const Tried& tried : sweep.tried) {
    ASSERT_TRUE(tried.reading.has_value()) << "code " << tried.code;
    EXPECT_NEAR(*tried.reading, (tried.code + 0.5) / 1024 * 38.333, 0.0011) << "code " << tried.code;
  }
  EXPECT_TRUE(sweep.findings.empty()) << sweep.findings[0].detail;
  EXPECT_THAT(told(sweep, "right"), HasSubstr("None of 1024 codes is bad"));
}

TEST(Sweep, ReadsAVariableByItsSymbolAsItReadsALine) {
  const Sweep by_line = metering::sweep(line_bench(), conversion("right"), {.channel = "battery", .every = 7});
  const Sweep by_symbol = metering::sweep(variable_bench("battery_mv", 0.001, false), conversion("right"),
                                          {.channel = "battery", .every = 7});
  ASSERT_EQ(by_line.tried.size(), by_symbol.tried.size());
  EXPECT_EQ(by_line.tried.back().code, 1023) << "the last code is always tried";
  for (std::size_t i = 0; i < by_line.tried.size(); ++i) {
    EXPECT_EQ(by_line.tried[i].reading, by_symbol.tried[i].reading) << "code " << by_line.tried[i].code;
  }
}

TEST(Sweep, ReadsASignedVariableBelowZero) {
  const Sweep sweep = metering::sweep(variable_bench("below_full_ddv", 0.1, true), conversion("right"),
                                      {.channel = "battery", .every = 64});
  EXPECT_NEAR(sweep.tried.front().reading.value(), -38.3, 1e-9);
  EXPECT_NEAR(sweep.tried.back().reading.value(), 0, 0.11);
}

TEST(Sweep, FindsThe16BitOverflowAtTheCodeWhereItBegins) {
  const Sweep sweep = metering::sweep(line_bench(), conversion("overflows"), {.channel = "battery"});
  const Finding* wrap = find(sweep, Fault::kWrap);
  ASSERT_NE(wrap, nullptr);
  EXPECT_EQ(wrap->first_code, 874) << "75 * 874 = 65 550";
  EXPECT_EQ(sweep.first_bad_code(), 874);
  EXPECT_THAT(told(sweep, "overflows"),
              HasSubstr("First bad code: 874. It wraps: from 32.737 V at code 873 to 0.007 V"));
  EXPECT_THAT(told(sweep, "overflows"), HasSubstr("the code times 75 passes 65535"));
}

TEST(Sweep, FindsRoundingBeforeScaling) {
  const Sweep sweep = metering::sweep(line_bench(), conversion("rounds_first"), {.channel = "battery"});
  const Finding* coarse = find(sweep, Fault::kCoarse);
  ASSERT_NE(coarse, nullptr);
  // The first code above load disconnect (23 V) at which floor(code * 5000 / 1024) passes a multiple of 15.
  int first = 615;
  while (first * 5000 / 1024 / 15 == (first - 1) * 5000 / 1024 / 15) ++first;
  EXPECT_EQ(coarse->first_code, first);
  EXPECT_EQ(sweep.first_bad_code(), first);
  EXPECT_THAT(coarse->detail, HasSubstr("in steps of up to 115 mV, where a code is 37 mV"));
}

TEST(Sweep, FindsAConstantForAnotherReference) {
  const Sweep sweep = metering::sweep(line_bench(), conversion("wrong_constant"), {.channel = "battery"});
  // 10 % low. Below the set points five times 1 % and a code are let pass: wrong from 0.1 V = 5 (0.01 V + 37.4 mV) on.
  const double first_v = 5 * 0.03743 / 0.05;
  EXPECT_EQ(sweep.first_bad_code(), static_cast<int>(std::ceil(first_v / 38.333 * 1024 - 0.5)));
  EXPECT_THAT(told(sweep, "wrong_constant"), HasSubstr("as if it took the reference for 4.5 V, not 5 V"));
}

TEST(Sweep, FindsAConverterThatMeasuresAgainstAnotherReference) {
  const Sweep sweep = metering::sweep(line_bench(), conversion("wrong_reference"), {.channel = "battery"});
  ASSERT_TRUE(sweep.first_bad_code().has_value());
  EXPECT_LT(*sweep.first_bad_code(), 10);
  EXPECT_THAT(told(sweep, "wrong_reference"),
              HasSubstr("it measures against its internal reference of 1.1 V, not 5 V"));
  const Finding* stands = find(sweep, Fault::kStands);
  ASSERT_NE(stands, nullptr) << "its readings end where the set points begin";
}

TEST(Sweep, OfTheReferenceFirmwareFindsNothingOnEitherRevision) {
  for (const std::string revision : {"a", "b"}) {
    const profile::BoardProfile board = ridge(revision);
    const device::Image image = device::load_image(
        std::string{DAWNRIG_BINARY_DIR} + "/fixtures/reference_device/ridge_" + revision + ".elf", board.device.part);
    const Sweep sweep = metering::sweep(board, image, {.channel = "battery", .every = 16});
    EXPECT_TRUE(sweep.findings.empty()) << revision << ": " << sweep.findings[0].detail;
    for (const Tried& tried : sweep.tried) {
      ASSERT_TRUE(tried.reading.has_value()) << "code " << tried.code;
      if (tried.ideal < 23 || tried.ideal > 31.5) continue;
      EXPECT_NEAR(tried.error(), 0, revision == "a" ? 0.0011 : 0.0031) << revision << " at code " << tried.code;
    }
  }
}

Sweep judged(const std::vector<std::pair<int, double>>& changes) {
  const profile::BoardProfile board = line_bench();
  const Chain chain = chain_of(board, board.sense[0], 10);
  Sweep sweep;
  for (int code = 0; code < 1024; ++code) {
    const double ideal = sensed_at(chain, code + 0.5, kRoomDegc);
    sweep.tried.push_back({code, 0, ideal, ideal});
  }
  for (const auto& [code, reading] : changes) {
    auto& one = sweep.tried[static_cast<std::size_t>(code)].reading;
    one = std::isfinite(reading) ? std::optional(reading) : std::nullopt;
  }
  judge(sweep, board, board.sense[0], 0.001, {.channel = "battery"});
  return sweep;
}

TEST(Sweep, TellsWrapTurnSilenceAndStandingApart) {
  EXPECT_TRUE(judged({}).findings.empty());
  const Sweep turn = judged({{700, 26.10}});
  ASSERT_NE(find(turn, Fault::kTurnsBack), nullptr);
  EXPECT_EQ(find(turn, Fault::kTurnsBack)->first_code, 700);
  EXPECT_EQ(find(turn, Fault::kWrap), nullptr);
  const Sweep wrap = judged({{700, 0.2}});
  ASSERT_NE(find(wrap, Fault::kWrap), nullptr);
  EXPECT_EQ(find(wrap, Fault::kWrap)->first_code, 700);
  const Sweep silent = judged({{700, std::nan("")}});
  ASSERT_NE(find(silent, Fault::kSilent), nullptr);
  EXPECT_EQ(silent.first_bad_code(), 700);
  std::vector<std::pair<int, double>> clamp;
  for (int code = 800; code < 1024; ++code) clamp.emplace_back(code, 29.9);
  const Sweep stands = judged(clamp);
  ASSERT_NE(find(stands, Fault::kStands), nullptr) << "over-voltage cannot be seen";
  EXPECT_EQ(find(stands, Fault::kStands)->first_code, 800);
  clamp.clear();
  for (int code = 900; code < 1024; ++code) clamp.emplace_back(code, 33.7);
  const Sweep beyond = judged(clamp);
  EXPECT_TRUE(beyond.findings.empty()) << "a clamp beyond the set points is no fault";
  ASSERT_EQ(beyond.remarks.size(), 1U);
  EXPECT_THAT(beyond.remarks[0], HasSubstr("stands at 33.700 V from code 900 to 1023"));
}

TEST(Sweep, SaysWhatIsMissingWhenNothingReadsLikeThePattern) {
  profile::BoardProfile board = line_bench();
  board.hooks.readings[0].pattern = "volts=([0-9]+)";
  const SweepOptions options{.channel = "battery", .patience_s = 0.05};
  EXPECT_THAT(testing::refusal_of([&] { (void)sweep(board, conversion("right"), options); }),
              HasSubstr("sends no line that pattern \"volts=([0-9]+)\" finds; its last one was \"mv="));
  EXPECT_THAT(
      testing::refusal_of([&] { (void)sweep(variable_bench("batt_mv", 1, false), conversion("right"), options); }),
      HasSubstr("has no variable 'batt_mv'"));
  board.hooks.readings.clear();
  EXPECT_THAT(testing::refusal_of([&] { (void)sweep(board, conversion("right"), options); }),
              HasSubstr("hooks.reading says nothing of channel 'battery'"));
}

}  // namespace
}  // namespace dawnrig::metering
