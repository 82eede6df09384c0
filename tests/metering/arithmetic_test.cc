// The search for integer lines: proved over every code, held against brute force, and run on the processor.
#include "harness/metering/arithmetic.h"

#include <gmock/gmock.h>

#include <cmath>

#include "harness/base/files.h"
#include "harness/metering/code_table.h"
#include "harness/metering/cost.h"
#include "harness/metering/recommend.h"
#include "tests/metering/boards.h"

namespace dawnrig::metering {
namespace {

using ::testing::HasSubstr;
using testing::ridge;

Demand divider(int bits, double count, int samples = 1) {
  Demand demand;
  demand.chain.network.network = plant::DividerParams{100e3, 15e3, 1e-7};
  demand.chain.bits = bits;
  demand.samples = samples;
  demand.count = count;
  demand.lowest = 23;
  demand.highest = 31.5;
  return demand;
}

/// The line as a processor computes it, whose registers wrap.
std::int64_t wrapping(const Line& line, std::uint32_t sum) {
  const std::uint32_t operand = line.operand(sum);
  if (line.width_bits == 32) return std::int64_t{(operand * line.multiply + line.offset) >> line.shift} + line.base;
  const auto product = static_cast<std::uint16_t>(
      line.width_bits == 8
          ? static_cast<unsigned>(static_cast<std::uint8_t>(operand)) * static_cast<std::uint8_t>(line.multiply)
          : static_cast<unsigned>(static_cast<std::uint16_t>(operand)) * static_cast<std::uint16_t>(line.multiply));
  return (static_cast<std::uint16_t>(product + line.offset) >> line.shift) + line.base;
}

TEST(Arithmetic, OfEveryWidthAndUnitNeitherWrapsNorTurnsBackAtAnyCode) {
  int lines = 0;
  for (const int bits : {10, 12}) {
    for (const double count : {1.0, 0.1, 0.01, 0.001}) {
      const Demand demand = divider(bits, count);
      const std::vector<double> ideal = ideal_counts(demand);
      for (const int width : {8, 16, 32}) {
        const auto line = best_line(demand, ideal, width);
        if (!line) continue;
        ++lines;
        const Proof proof = prove(*line, ideal, reach_of(demand));
        EXPECT_TRUE(proof.sound());
        EXPECT_EQ(proof.sums, 1U << static_cast<unsigned>(bits));
        std::int64_t before = wrapping(*line, 0);
        for (std::uint32_t code = 0; code < proof.sums; ++code) {
          const std::int64_t counts = wrapping(*line, code);
          ASSERT_EQ(counts, line->counts_at(code)) << width << " bits, code " << code;
          ASSERT_GE(counts, before) << width << " bits, code " << code;
          before = counts;
        }
      }
    }
  }
  EXPECT_EQ(lines, 24) << "all of them exist";
}

TEST(Arithmetic, WithRoomIsOffByHardlyMoreThanItsRounding) {
  for (const int bits : {10, 12}) {
    for (const double count : {1.0, 0.1, 0.01, 0.001}) {
      const Demand demand = divider(bits, count, 16);
      const std::vector<double> ideal = ideal_counts(demand);
      const Proof proof = prove(best_line(demand, ideal, 32).value(), ideal, reach_of(demand));
      EXPECT_LT(std::fabs(proof.worst_within), 0.56) << bits << " bits, counts of " << count;
    }
  }
}

/// The least error of any multiplier and shift whatever, each with its best offset. Of one operand width, as 16-bit
/// arithmetic has it without dropping bits.
double brute_force(const Demand& demand, const std::vector<double>& ideal) {
  const Reach reach = reach_of(demand);
  double best = 1e9;
  for (int shift = 0; shift < 16; ++shift) {
    for (std::uint32_t multiply = 1; multiply * demand.largest_sum() < 65536; ++multiply) {
      double low = 1e9;
      double high = -1e9;
      for (std::uint32_t sum = reach.first; sum <= reach.last; ++sum) {
        const double left = ideal[sum] - sum * multiply / std::exp2(shift);
        low = std::min(low, left);
        high = std::max(high, left);
      }
      const double middle = (0.5 * (low + high) + 0.5) * std::exp2(shift);
      for (double offset = std::floor(middle) - 1; offset <= middle + 2; ++offset) {
        if (offset < 0 || offset + multiply * demand.largest_sum() > 65535) continue;
        double worst = 0;
        for (std::uint32_t sum = reach.first; sum <= reach.last; ++sum) {
          const auto counts = (sum * multiply + static_cast<std::uint32_t>(offset)) >> static_cast<unsigned>(shift);
          worst = std::max(worst, std::fabs(counts - ideal[sum]));
        }
        best = std::min(best, worst);
      }
    }
  }
  return best;
}

TEST(Arithmetic, FindsWhatTryingEveryMultiplierFinds) {
  for (const int bits : {10, 12}) {
    for (const double count : {0.1, 0.01}) {
      const Demand demand = divider(bits, count);
      const std::vector<double> ideal = ideal_counts(demand);
      const auto line = best_line(demand, ideal, 16);
      ASSERT_TRUE(line.has_value());
      const double found = std::fabs(prove(*line, ideal, reach_of(demand)).worst_within);
      EXPECT_LE(found, 1.05 * brute_force(demand, ideal) + 0.02) << bits << " bits, counts of " << count;
    }
  }
}

TEST(Arithmetic, ThatOverflowsIsCaughtAtItsFirstCode) {
  const Demand demand = divider(10, 0.01);
  const std::vector<double> ideal = ideal_counts(demand);
  Line line = best_line(demand, ideal, 16).value();
  line.dropped = 0;
  line.multiply = 100;
  line.offset = 0;
  line.base = 0;
  const Proof proof = prove(line, ideal, reach_of(demand));
  ASSERT_TRUE(proof.first_overflow.has_value());
  EXPECT_EQ(*proof.first_overflow, 656U) << "100 * 656 is the first beyond 65535";
  EXPECT_FALSE(proof.sound());
}

TEST(Arithmetic, ReadsCurrentsOfBothSignsThroughAnInvertingAmplifier) {
  Demand demand;
  demand.chain.network.node = plant::SenseNode::kBatteryCurrent;
  demand.chain.network.network = plant::ShuntAmplifierParams{.shunt_ohm = 0.005, .gain_v_per_v = -20, .bias_v = 2.5};
  demand.count = 0.01;
  demand.lowest = -20;
  demand.highest = 20;
  const std::vector<double> ideal = ideal_counts(demand);
  const Line line = best_line(demand, ideal, 32).value();
  EXPECT_TRUE(line.falling);
  const Proof proof = prove(line, ideal, reach_of(demand));
  EXPECT_TRUE(proof.sound());
  EXPECT_EQ(result_type(proof), "int16_t");
  EXPECT_LT(std::fabs(proof.worst_within), 0.56);
  EXPECT_NEAR(static_cast<double>(line.counts_at(512)), 0, 3) << "2.5 V is no current";
  EXPECT_GT(line.counts_at(100), 0);
  const HeaderText text{"a board", "charge", "10ma", "counts of 10 mA", "", ""};
  const Cost cost = measure(
      line.largest_sum, [&](std::uint32_t sum) { return line.counts_at(sum); }, c_header(line, proof, demand, text),
      function_name(line, text), compiler_at("avr-gcc")->string(), "atmega328p", proof.sums);
  EXPECT_EQ(cost.first_differing, std::nullopt) << "with its sign, on the processor";
}

TEST(Arithmetic, ComesFromTheProcessorAsItWasSearched) {
  const auto compiler = compiler_at("avr-gcc");
  ASSERT_TRUE(compiler.has_value());
  for (const int bits : {10, 12}) {
    for (const int width : {8, 16, 32}) {
      const Demand demand = divider(bits, 0.01);
      const std::vector<double> ideal = ideal_counts(demand);
      const Line line = best_line(demand, ideal, width).value();
      const Proof proof = prove(line, ideal, reach_of(demand));
      const HeaderText text{"a board", "battery", "10mv", "counts of 10 mV", "", ""};
      const Cost cost = measure(
          line.largest_sum, [&](std::uint32_t sum) { return line.counts_at(sum); }, c_header(line, proof, demand, text),
          function_name(line, text), compiler->string(), "atmega328p", proof.sums);
      EXPECT_EQ(cost.sums, proof.sums);
      EXPECT_EQ(cost.first_differing, std::nullopt) << width << " bits";
      EXPECT_GT(cost.least_cycles, 0);
      EXPECT_LT(cost.most_cycles, 250);
    }
  }
}

TEST(Arithmetic, CyclesAreThoseOfTheInstructionsBetween) {
  const auto cycles = [](const std::string& between) {
    const Cost cost = measure(
        1023, [](std::uint32_t sum) { return sum; },
        "#include <stdint.h>\nstatic inline uint16_t same(uint16_t sum) {" + between + "return sum; }\n", "same",
        compiler_at("avr-gcc")->string(), "atmega328p", 4);
    EXPECT_EQ(cost.least_cycles, cost.most_cycles);
    return cost.most_cycles;
  };
  EXPECT_EQ(cycles(""), 0) << "loading and storing are not counted";
  EXPECT_EQ(cycles("__asm__ volatile(\"nop\\n\\tnop\\n\\tnop\");"), 3);
}

TEST(Arithmetic, SaysWhatTheCompilerSaidWhenItRefuses) {
  try {
    (void)measure(
        1023, [](std::uint32_t) { return 0; }, "#error not today\n", "none", compiler_at("avr-gcc")->string(),
        "atmega328p", 8);
    ADD_FAILURE() << "nothing was said";
  } catch (const base::RunFault& fault) {
    EXPECT_THAT(fault.what(), HasSubstr("not today"));
  }
}

Demand thermistor(int bits) {
  Demand demand;
  demand.chain.network.node = plant::SenseNode::kBatteryTemperature;
  demand.chain.network.network = plant::ThermistorInputParams{};
  demand.chain.bits = bits;
  demand.count = 0.1;
  demand.lowest = -10;
  demand.highest = 50;
  return demand;
}

TEST(CodeTable, FollowsTheThermistorCloserTheNarrowerItsSteps) {
  for (const int bits : {10, 12}) {
    const Demand demand = thermistor(bits);
    const std::vector<double> ideal = ideal_counts(demand);
    double before = 1e9;
    for (int shift = bits - 4; shift >= bits - 7; --shift) {
      const CodeTable table = code_table(demand, ideal, shift).value();
      const TableProof proof = prove(table, demand, ideal);
      EXPECT_TRUE(proof.sound()) << bits << " bits, steps of " << table.step();
      EXPECT_EQ(proof.codes, 1U << static_cast<unsigned>(bits));
      EXPECT_LT(std::fabs(proof.worst_within), before + 0.02);
      before = std::fabs(proof.worst_within);
      for (std::size_t i = 0; i < table.entries.size(); ++i) {
        const auto code = static_cast<std::uint32_t>(table.first_code + static_cast<int>(i) * table.step());
        EXPECT_EQ(table.counts_at(code), std::lround(ideal[code])) << "a point is the network's own value";
      }
      EXPECT_EQ(table.counts_at(0), table.entries.front());
      EXPECT_EQ(table.counts_at(demand.largest_sum()), table.entries.back());
    }
    EXPECT_LT(before, 0.12) << "tenths of a degree, rounded twice";
  }
}

TEST(CodeTable, ComesFromTheProcessorAsItWasSearched) {
  const Demand demand = thermistor(10);
  const std::vector<double> ideal = ideal_counts(demand);
  const CodeTable table = code_table(demand, ideal, 5).value();
  const HeaderText text{"a board", "cells", "ddegc", "counts of 0.1 degC", "", ""};
  const Cost cost = measure(
      1023, [&](std::uint32_t code) { return table.counts_at(code); },
      c_header(table, prove(table, demand, ideal), demand, text), "cells_ddegc_of_code",
      compiler_at("avr-gcc")->string(), "atmega328p", 1024);
  EXPECT_EQ(cost.sums, 1024U);
  EXPECT_EQ(cost.first_differing, std::nullopt);
}

TEST(CodeTable, WhoseProductsOverflowIsNotSound) {
  const CodeTable table{0, 7, {32000, -32000, -32500}, 0.1};
  const Demand demand = thermistor(10);
  EXPECT_FALSE(prove(table, demand, ideal_counts(demand)).sound());
}

TEST(Arithmetic, OfTheReferenceFirmwareIsTheRecommendedOne) {
  for (const char* revision : {"a", "b"}) {
    for (const char* channel : {"battery", "panel", "thermistor"}) {
      const double count = std::string_view{channel} == "thermistor" ? 0.1 : 0.001;
      const std::string built = base::read_text(std::string{DAWNRIG_BINARY_DIR} + "/fixtures/reference_device/lines_" +
                                                revision + "/" + channel + "_line.h");
      EXPECT_EQ(built, recommended_header(ridge(revision), {.channel = channel, .count = count}))
          << revision << " " << channel;
    }
  }
}

TEST(Arithmetic, NamesWhatItRecommendsAndRefusesWhatItCannot) {
  const Recommendation found = recommend(ridge("a"), {.channel = "battery"});
  EXPECT_THAT(found.account.sections[0].sentences[0],
              HasSubstr("(sum of 51 codes * 48105 + 1243674) >> 16, in 32 bits, for battery voltage in mV"));
  EXPECT_THAT(found.header, HasSubstr("Proved by going through all 52174 sums"));
  EXPECT_EQ(found.account.sections[0].tables[0].rows.size(), 12U);
  EXPECT_THAT(
      testing::refusal_of([] { (void)recommend(ridge("a"), {.channel = "thermistor", .count = 1, .within_k = 0.02}); }),
      HasSubstr("--within-k: is 0.02 K, which no table in counts of 1 reaches"));
  EXPECT_THAT(testing::refusal_of([] { (void)recommend(ridge("a"), {.channel = "battery", .samples = 9999}); }),
              HasSubstr("--samples: is 9999, must be 0 to 4096"));
}

}  // namespace
}  // namespace dawnrig::metering
