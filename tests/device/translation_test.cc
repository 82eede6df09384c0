// Runs of instructions as instructions of this machine: that they are made where it pays, and what they must not lose.
#include <gtest/gtest.h>

#include "tests/device/device_bench.h"
#include "tests/device/loop_maker.h"

namespace dawnrig::device {
namespace {

constexpr bool kKnowsThisMachine =
#if defined(__x86_64__)
    true;
#else
    false;
#endif

DeviceParams with_translation_after(std::uint16_t beginnings) {
  DeviceParams params;
  params.startup_delay_s = 0;
  params.translate_after = beginnings;
  return params;
}

constexpr Cycle kRound = 5;
const Words kAddsUp{0x0F01 /* add r16, r17 */, 0x1F23 /* adc r18, r19 */, 0x9543 /* inc r20 */,
                    0xCFFC /* rjmp to the first */};

TEST(Translation, ComesWhenARunHasBegunOftenEnough) {
  if (!kKnowsThisMachine) GTEST_SKIP() << "no translation to this machine";
  Witness witness;
  VirtualDevice device(with_translation_after(100), words_image(kAddsUp), witness);
  device.run_until(kRound * 90);
  EXPECT_EQ(device.translated_runs(), 0);
  device.run_until(kRound * 110);
  EXPECT_EQ(device.translated_runs(), 1);
  device.run_until(kRound * 10'000);
  EXPECT_EQ(device.translated_runs(), 1) << "once is enough";
}

TEST(Translation, NeverComesIfNobodyWantsIt) {
  for (const bool skips : {true, false}) {
    DeviceParams params = with_translation_after(skips ? 0 : 1);
    params.skip_idle = skips;
    Witness witness;
    VirtualDevice device(params, words_image(kAddsUp), witness);
    device.run_until(1'000'000);
    EXPECT_EQ(device.translated_runs(), 0);
  }
}

// Of each instruction that works on numbers, all flags on the way out of a run, whichever way that is: by a branch that
// is taken or is not, to a routine and back, at a pointer to a register, into the middle of a round.
TEST(Translation, LosesNoFlagOfAnyInstruction) {
  const std::vector<Words> all{{0x0F01},
                               {0x1F01},
                               {0x1B01},
                               {0x0B01},
                               {0x1701},
                               {0x0701},
                               {0x2301},
                               {0x2B01},
                               {0x2701},  // of r16 and r17
                               {0x3705},
                               {0x5705},
                               {0x4705},
                               {0x7705},
                               {0x6705},  // of r16 and 0x75
                               {0x9500},
                               {0x9501},
                               {0x9503},
                               {0x950A},
                               {0x9505},
                               {0x9506},
                               {0x9507},
                               {0x9F01},
                               {0x9601},
                               {0x9701},
                               {0x0F02, 0x1F13},
                               {0x1B02, 0x0B13},
                               {0x1702, 0x0713},
                               {0x5705, 0x4715},  // numbers of two bytes
                               {0x0F04, 0x1F15, 0x1F26, 0x1F37},
                               {0x1704, 0x0715, 0x0726, 0x0737}};  // and of four
  // Ways on: brcs, breq, brmi, brvs, brlt, brhs over one word; rcall and ret; ld r25, X from a register; nothing.
  const std::vector<Words> ways{{0xF008, 0x9563},         {0xF009, 0x9563}, {0xF00A, 0x9563},
                                {0xF00B, 0x9563},         {0xF00C, 0x9563}, {0xF00D, 0x9563},
                                {0xD001, 0xC001, 0x9508}, {0x919C},         {}};
  for (const auto& instruction : all) {
    for (const auto& way : ways) {
      // Each round begins with other numbers, the carry and the zero of the round before.
      Words words{0xE4A6 /* ldi r26, TCNT0 */, 0xE0B0, 0xE3C5, 0x0F1C /* add r17, r28 */,
                  0x2F05 /* mov r16, r21 */,   0x0F5C, 0x9553 /* inc r21 */};
      const std::size_t head = 3;
      words.insert(words.end(), instruction.begin(), instruction.end());
      words.insert(words.end(), way.begin(), way.end());
      words.push_back(static_cast<std::uint16_t>(0xC000U | ((head - words.size() - 1U) & 0xFFFU)));
      BothWays both(with_translation_after(2), words_image(words));
      for (Cycle until = 100; until < 1400; until += 7) {
        both.ours.run_until(until);
        both.simulators.run_until(until);
        ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << std::hex << instruction[0];
        ASSERT_EQ(both.ours.flags(), both.simulators.flags())
            << std::hex << "after " << instruction[0] << ", " << (way.empty() ? 0U : way[0]);
        for (std::uint32_t at = 0; at < 32; ++at) {
          ASSERT_EQ(both.ours.peek(at), both.simulators.peek(at)) << std::hex << instruction[0] << ", r" << at;
        }
      }
      EXPECT_EQ(both.ours.translated_runs() > 0, kKnowsThisMachine);
    }
  }
}

// Whoever stops at a loop's head looks at what the loop begins with, flags among it: also at those that this run had
// left where they were.
TEST(Translation, LeavesWholeFlagsAtALoopThatIsKnownToWait) {
  // Timer 0 overflows every 16384 cycles; its routine counts in r20. The main program waits for a count, then works.
  Words words(64, 0);
  words[0] = 0xC000U + 39;                     // rjmp to 40
  words[32] = 0xC000U + 29;                    // the overflow's vector: rjmp to 62
  words[62] = 0x9543;                          // inc r20
  words[63] = 0x9518;                          // reti
  const Words program{0xE013, 0xBD15,          // ldi r17, 3; out TCCR0B, r17
                      0xE011, 0x9310, 0x006E,  // ldi r17, 1; sts TIMSK0, r17
                      0x9478,                  // sei
                      0x2F54,                  // mov r21, r20
                      0x1754, 0xF3F1,          // cp r21, r20; breq back to it
                      0x0F61, 0x9573,          // add r22, r17; inc r23
                      0xCFFA};                 // rjmp to mov
  std::copy(program.begin(), program.end(), words.begin() + 40);
  BothWays both(with_translation_after(20), words_image(words));
  for (Cycle until = 1'000; until < 3'000'000; until += 4'999) {
    both.ours.run_until(until);
    both.simulators.run_until(until);
    ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << until;
    ASSERT_EQ(both.ours.flags(), both.simulators.flags()) << until;
    ASSERT_EQ(both.ours.peek(23), both.simulators.peek(23)) << until;
  }
  EXPECT_GT(both.ours.idle_cycles(), 2'000'000) << "most of it is skipped";
  EXPECT_EQ(both.ours.translated_runs() > 0, kKnowsThisMachine);
}

}  // namespace
}  // namespace dawnrig::device
