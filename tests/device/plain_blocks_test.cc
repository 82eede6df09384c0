// Runs of instructions that this room executes as wholes, against the simulator's own execution one instruction at a
// time: whatever the instant at which somebody looks, and whatever stops a run in its middle, nothing may differ.
#include <gtest/gtest.h>

#include <random>

#include "tests/device/device_bench.h"
#include "tests/device/loop_maker.h"

namespace dawnrig::device {
namespace {

class PlainBlocks : public ::testing::TestWithParam<Part> {};

TEST_P(PlainBlocks, LeaveTheProcessorAsOneInstructionAfterAnotherWould) {
  constexpr unsigned kPrograms = 250;
  constexpr Cycle kEnd = 12'000;
  int interrupted = 0;
  int driven = 0;
  int converted = 0;
  for (unsigned seed = 1; seed <= kPrograms; ++seed) {
    const Image image = words_image(LoopMaker(seed, GetParam()).make());
    DeviceParams params;
    params.part = GetParam().name;
    params.startup_delay_s = 0;
    params.translate_after = translation_of(seed);
    params.watched = {Pin{'D', 6}, Pin{'B', 7}};
    BothWays both(params, image);
    auto& [witness, other, ours, simulators] = both;
    witness.adc_v = other.adc_v = [](Cycle at, int channel) {
      return 5e-4 * static_cast<double>((at * 7 + channel * 1303) % 10'000);
    };
    std::mt19937 draw(seed);
    for (Cycle until = 0; until < kEnd;) {
      // Now in every cycle, now further apart than any run of instructions is long.
      until += static_cast<Cycle>(draw() % (draw() % 4 == 0 ? 300 : 12));
      const auto where = [&] { return "program " + std::to_string(seed) + ", cycle " + std::to_string(until); };
      ASSERT_EQ(both.first_difference_at(until), "") << where();
    }
    ASSERT_EQ(witness.pins.size(), other.pins.size()) << "program " << seed;
    for (std::size_t i = 0; i < witness.pins.size(); ++i) {
      ASSERT_EQ(witness.pins[i].at, other.pins[i].at) << "program " << seed;
      ASSERT_TRUE(witness.pins[i].pin == other.pins[i].pin) << "program " << seed;
      ASSERT_EQ(witness.pins[i].drive, other.pins[i].drive) << "program " << seed;
    }
    ASSERT_EQ(witness.samples.size(), other.samples.size()) << "program " << seed;
    for (std::size_t i = 0; i < witness.samples.size(); ++i) {
      ASSERT_EQ(witness.samples[i].at, other.samples[i].at) << "program " << seed;
      ASSERT_EQ(witness.samples[i].channel, other.samples[i].channel) << "program " << seed;
    }
    converted += other.samples.size() > 10 ? 1 : 0;
    EXPECT_EQ(simulators.crash_reason(), "") << "program " << seed << " ends before its time";
    const bool made = ours.translations().made > 0;
    EXPECT_TRUE(made == (kKnowsThisMachine && params.translate_after != 0) || params.translate_after > 1)
        << "program " << seed;  // some never go round so often
    EXPECT_TRUE(ours.translations().refused == 0 || !kKnowsThisMachine) << "program " << seed;
    driven += witness.of(GetParam().match_pin).size() > 10 ? 1 : 0;
    interrupted += simulators.peek(kCount) != 0 ? 1 : 0;
  }
  EXPECT_GT(driven, static_cast<int>(kPrograms) * 9 / 10) << "most programs see the timer drive its pin";
  EXPECT_GT(converted, static_cast<int>(kPrograms) / 3) << "many programs use the converter";
  EXPECT_GT(interrupted, static_cast<int>(kPrograms) * 9 / 10) << "most programs are interrupted on their way";
}

// Four bytes by a pointer, of which the third lies behind the last of memory.
TEST_P(PlainBlocks, FindTheEndOfMemoryInTheMiddleOfANumber) {
  const unsigned address = GetParam().ram_end - 1;
  for (const unsigned stores : {0U, 0x200U}) {
    for (const unsigned way : {0U, 1U, 2U, 3U}) {
      const bool down = way % 2 != 0;
      const auto low = [](unsigned word) { return (word & 0xF0U) << 4U | (word & 15U); };
      Words words{static_cast<std::uint16_t>(0xE0C0U | low(address & 0xFFU)),  // ldi r28
                  static_cast<std::uint16_t>(0xE0D0U | low(address >> 8U))};   // ldi r29
      for (unsigned i = 0; i < 4; ++i) {
        const unsigned at = down ? 3 - i : i;
        words.push_back(static_cast<std::uint16_t>(0x8008U | stores | (4U + at) << 4U | at));  // ldd or std r4.., Y+at
      }
      words.push_back(0xCFFF);  // rjmp to itself
      DeviceParams params;
      params.part = GetParam().name;
      params.startup_delay_s = 0;
      params.translate_after = way < 2 ? 0 : 1;
      BothWays both(params, words_image(words));
      EXPECT_EQ(both.ours.run_until(1000), RunStatus::kCrashed);
      EXPECT_EQ(both.simulators.run_until(1000), RunStatus::kCrashed);
      EXPECT_EQ(both.ours.crash_reason(), both.simulators.crash_reason());
      EXPECT_EQ(both.ours.crashed_at(), both.simulators.crashed_at());
      for (std::uint32_t at = 0; at <= GetParam().ram_end; ++at) {
        ASSERT_EQ(both.ours.peek(at), both.simulators.peek(at)) << "in memory at " << at;
      }
    }
  }
}

// An interrupt routine as compilers write it, on a stack that has no room for it, or that ends above it.
TEST_P(PlainBlocks, FindTheEndsOfTheStackInAnInterruptRoutine) {
  const Words routine{0x921F, 0x920F, 0xB60F, 0x920F, 0x2411, 0x900F, 0xBE0F, 0x900F, 0x901F, 0x9518};
  for (const unsigned room : {0U, 1U, 2U, 3U, 4U, 5U, 6U, 8U}) {
    for (const unsigned way : {0U, 1U, 2U, 3U}) {
      const bool above = way % 2 != 0;
      const unsigned stack = above ? GetParam().ram_end - room : GetParam().ram_start + room;
      const auto low = [](unsigned word) { return (word & 0xF0U) << 4U | (word & 15U); };
      Words words(160, 0);
      const auto jump = [&words](unsigned from, unsigned to) {
        words[from] = static_cast<std::uint16_t>(0xC000U | (to - from - 1));
      };
      const Words stack_there{static_cast<std::uint16_t>(0xE0C0U | low(stack & 0xFFU)),  // ldi r28
                              static_cast<std::uint16_t>(0xE0D0U | low(stack >> 8U)),    // ldi r29
                              0xBFDE, 0xBFCD};                                           // out SPH; out SPL
      std::copy(stack_there.begin(), stack_there.end(), words.begin() + 100);
      jump(104, above ? 126 : 120);
      // ldi r17; sts TIMSK0, r17; sts TCCR0B, r17: a match every 2048 cycles; sei; rjmp to itself
      const Words asking{0xE012, 0x9310, 0x006E, 0x9310, 0x0045, 0x9478, 0xCFFF};
      std::copy(asking.begin(), asking.end(), words.begin() + 110);
      std::copy(routine.begin(), routine.end(), words.begin() + 120);
      jump(0, above ? 110 : 100);
      jump(GetParam().match_vector, 100);
      DeviceParams params;
      params.part = GetParam().name;
      params.startup_delay_s = 0;
      params.translate_after = way < 2 ? 0 : 1;
      BothWays both(params, words_image(words));
      for (Cycle until = 200; until < 500; until += 150) {
        ASSERT_EQ(both.ours.run_until(until), both.simulators.run_until(until)) << stack << ", cycle " << until;
        ASSERT_EQ(both.ours.crash_reason(), both.simulators.crash_reason()) << stack;
        ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << stack << ", cycle " << until;
        for (std::uint32_t at = 0; at <= GetParam().ram_end; ++at) {
          ASSERT_EQ(both.ours.peek(at), both.simulators.peek(at)) << stack << ", in memory at " << at;
        }
      }
    }
  }
}

// A run that ends with the instruction that enables them, since petting the watchdog is not for runs; now and then an
// event is due right then.
TEST_P(PlainBlocks, LetOneInstructionPassWhereInterruptsAreEnabledAtTheirEnd) {
  for (const std::uint16_t after : {std::uint16_t{0}, std::uint16_t{1}}) {
    Words words(160, 0);
    const auto jump = [&words](unsigned from, unsigned to) {
      words[from] = static_cast<std::uint16_t>(0xC000U | ((to - from - 1) & 0xFFFU));
    };
    // Timer 0 to 96 and over, interrupt; stack pointer; then over and over: cli; nops; inc r20; sei; wdr; inc r20.
    const Words begin{0xE002, 0xBD04, 0xE600, 0xBD07, 0xE001, 0xBD05, 0xE002, 0x9300, 0x006E, 0xE008,
                      0xBF0E, 0xEF00, 0xBF0D, 0x94F8, 0x0000, 0x0000, 0x9543, 0x9478, 0x95A8, 0x9543};
    std::copy(begin.begin(), begin.end(), words.begin() + 100);
    jump(0, 100);
    jump(120, 113);
    jump(GetParam().match_vector, 130);
    const Words routine{0x9340, 0x0810, 0x9518};  // sts 0x810, r20; reti
    std::copy(routine.begin(), routine.end(), words.begin() + 130);
    DeviceParams params;
    params.part = GetParam().name;
    params.startup_delay_s = 0;
    params.translate_after = after;
    BothWays both(params, words_image(words));
    for (Cycle until = 500; until < 60'000; until += 97) {
      both.ours.run_until(until);
      both.simulators.run_until(until);
      ASSERT_EQ(both.ours.now(), both.simulators.now());
      ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << "cycle " << until;
      ASSERT_EQ(both.ours.peek(20), both.simulators.peek(20)) << "cycle " << until;
      ASSERT_EQ(both.ours.peek(0x810), both.simulators.peek(0x810)) << "cycle " << until;
    }
    EXPECT_EQ(both.simulators.crash_reason(), "");
  }
}

// Of 256 KB of program, an address needs three bytes on the stack.
TEST(FarPlainBlocks, ComeBackToTheUpperHalfOfProgramMemory) {
  Words words(0x10020, 0);
  const Words begin{0x940D, 0x0000};    // jmp 0x20000
  const Words loop{0x940F, 0x0010,      // call 0x20020
                   0x9503, 0xCFFC};     // inc r16; rjmp to the call
  const Words routine{0x9513, 0x9508};  // inc r17; ret
  std::copy(begin.begin(), begin.end(), words.begin());
  std::copy(loop.begin(), loop.end(), words.begin() + 0x10000);
  std::copy(routine.begin(), routine.end(), words.begin() + 0x10010);
  DeviceParams params;
  params.part = "atmega2560";
  params.startup_delay_s = 0;
  BothWays both(params, words_image(words));
  for (Cycle until = 7; until < 20'000; until += 97) {
    both.ours.run_until(until);
    both.simulators.run_until(until);
    ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << "cycle " << until;
    ASSERT_EQ(both.ours.peek(16), both.simulators.peek(16)) << "cycle " << until;
    ASSERT_EQ(both.ours.peek(17), both.simulators.peek(17)) << "cycle " << until;
  }
  EXPECT_EQ(both.simulators.crash_reason(), "");
  EXPECT_GE(both.simulators.next_address(), 0x20000U) << "it is there that it runs";
}

INSTANTIATE_TEST_SUITE_P(EveryPart, PlainBlocks,
                         ::testing::Values(Part{"atmega328p", 0x100, 0x8FF, 28, 32, {'D', 6}},
                                           Part{"atmega2560", 0x200, 0x21FF, 42, 46, {'B', 7}}),
                         [](const auto& part) { return part.param.name; });

}  // namespace
}  // namespace dawnrig::device
