// Runs of instructions as instructions of this machine: that they are made where it pays, and what they must not lose.
#include <gtest/gtest.h>

#include "tests/device/device_bench.h"
#include "tests/device/loop_maker.h"

namespace dawnrig::device {
namespace {

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
  Witness witness;
  VirtualDevice device(with_translation_after(100), words_image(kAddsUp), witness);
  device.run_until(kRound * 90);
  EXPECT_EQ(device.translations().made, 0);
  device.run_until(kRound * 110);
  EXPECT_EQ(device.translations().made, kKnowsThisMachine ? 1 : 0);
  EXPECT_EQ(device.translations().refused, kKnowsThisMachine ? 0 : 1);
  device.run_until(kRound * 10'000);
  EXPECT_EQ(device.translations().made, kKnowsThisMachine ? 1 : 0) << "once is enough";
}

TEST(Translation, NeverComesIfNobodyWantsIt) {
  for (const bool skips : {true, false}) {
    DeviceParams params = with_translation_after(skips ? 0 : 1);
    params.skip_idle = skips;
    Witness witness;
    VirtualDevice device(params, words_image(kAddsUp), witness);
    device.run_until(1'000'000);
    EXPECT_EQ(device.translations().made, 0);
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
      EXPECT_EQ(both.ours.translations().made > 0, kKnowsThisMachine);
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
  EXPECT_EQ(both.ours.translations().made > 0, kKnowsThisMachine);
}

// The same, everywhere one can look, in every few cycles.
void expect_no_difference(const std::vector<std::uint16_t>& words, const std::string& what, Cycle end = 3'000) {
  BothWays both(with_translation_after(2), words_image(words));
  for (Cycle until = 100; until < end; until += 7) {
    both.ours.run_until(until);
    both.simulators.run_until(until);
    ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << what << ", cycle " << until;
    ASSERT_EQ(both.ours.flags(), both.simulators.flags()) << what << ", cycle " << until;
    for (std::uint32_t at = 0; at < 32; ++at) {
      ASSERT_EQ(both.ours.peek(at), both.simulators.peek(at)) << what << ", r" << at << ", cycle " << until;
    }
  }
  EXPECT_EQ(both.ours.translations().made > 0, kKnowsThisMachine) << what;
}

std::vector<std::uint16_t> round_of(std::vector<std::uint16_t> words, std::size_t head,
                                    const std::vector<std::uint16_t>& body) {
  words.insert(words.end(), body.begin(), body.end());
  words.push_back(static_cast<std::uint16_t>(0xC000U | ((head - words.size() - 1U) & 0xFFFU)));
  return words;
}

// The zero that a comparison of several bytes ends with is that of all: also where its first byte is a constant, so
// that it is not one number to this machine, and where the flag was clear before.
TEST(Translation, KeepsTheZeroOfTheBytesBefore) {
  // inc r20; mov r16, r20; andi r16, 1; mov r17, r20; andi r17, 2; inc r20; dec r20; and no zero before it.
  const std::vector<std::uint16_t> numbers{0x9543, 0x2F04, 0x7001, 0x2F14, 0x7012, 0x9543, 0x954A, 0x9498 /* clz */};
  const std::vector<std::vector<std::uint16_t>> compared{
      {0x3000 /* cpi r16, 0 */, 0x0611 /* cpc r1, r17 */},
      {0x3001 /* cpi r16, 1 */, 0x0711 /* cpc r17, r17 */},
      {0x5000 /* subi r16, 0 */, 0x0000, 0x4010 /* sbci r17, 0 */},
      {0x2300 /* and r16, r16 */, 0x0711 /* cpc r17, r17 */},
      {0x9503 /* inc r16 */, 0x950A /* dec r16 */, 0x0611 /* cpc r1, r17 */}};
  for (const auto& bytes : compared) {
    for (const std::uint16_t branch : std::vector<std::uint16_t>{0xF009 /* breq */, 0xF409 /* brne */}) {
      std::vector<std::uint16_t> body = numbers;
      body.insert(body.end(), bytes.begin(), bytes.end());
      body.insert(body.end(), {branch, 0x9563 /* inc r22 */});
      expect_no_difference(round_of({0x2411 /* eor r1, r1 */}, 1, body), "after " + std::to_string(bytes[0]));
    }
  }
}

// Half of a number that a register of this machine holds is written to, by each way there is.
TEST(Translation, ForgetsWhatHasBeenWrittenOver) {
  const std::vector<std::vector<std::uint16_t>> ways{{0xE001, 0xE412},  // ldi r16, 1; ldi r17, 0x42
                                                     {0xE412},          // ldi r17, 0x42
                                                     {0xE001},          // ldi r16, 1
                                                     {0x911C},          // ld r17, X
                                                     {0x910C},          // ld r16, X
                                                     {0x8108, 0x8119},  // ldd r16, Y; ldd r17, Y+1
                                                     {0x911D}};         // ld r17, X+
  // add r17, r20; mov r17, r20; movw r16, r20
  for (const std::uint16_t held : std::vector<std::uint16_t>{0x0F14, 0x2F14, 0x018A}) {
    for (const auto& way : ways) {
      // inc r20; ldi r26, 0; ldi r27, 3; ldi r28, 0; ldi r29, 3
      std::vector<std::uint16_t> body{0x9543, 0xE0A0, 0xE0B3, 0xE0C0, 0xE0D3, held};
      body.insert(body.end(), way.begin(), way.end());
      // mov r2, r17; mov r3, r16; mov r4, r17; movw r6, r16
      body.insert(body.end(), {0x2E21, 0x2E30, 0x2E41, 0x0138});
      expect_no_difference(round_of({0xE05F}, 1, body), std::to_string(held) + ", " + std::to_string(way[0]));
    }
  }
}

// A flag that is set or cleared between what works it out and who reads it is no longer that of this machine.
TEST(Translation, ReadsAFlagThatHasBeenSetOrClearedInBetween) {
  // sec, sez, sen, sev, ses, clc, clz, cln, clv, cls
  for (const unsigned put :
       {0x9408U, 0x9418U, 0x9428U, 0x9438U, 0x9448U, 0x9488U, 0x9498U, 0x94A8U, 0x94B8U, 0x94C8U}) {
    const unsigned flag = put >> 4U & 7U;
    // brbs, brbc over one word; adc, ror, sbc
    for (const unsigned reader : {0xF008U | flag, 0xF408U | flag, 0x1F23U, 0x9527U, 0x0B23U}) {
      // subi r20, 0x37; mov r16, r20; add r16, r20; the flag; a move; the reader; inc r22; in r23, SREG
      const std::vector<std::uint16_t> body{
          0x5347, 0x2F04, 0x0F04, static_cast<std::uint16_t>(put), 0x2F75, static_cast<std::uint16_t>(reader),
          0x9563, 0xB77F};
      expect_no_difference(round_of({0xE05F}, 1, body), std::to_string(put) + ", " + std::to_string(reader));
    }
  }
}

// Of an address at the end of memory, one byte lies behind it: who goes there is for the simulator, which says so.
TEST(Translation, FindsTheEndOfMemoryInTheMiddleOfAnAddress) {
  for (const unsigned below : {0U, 1U, 2U, 3U}) {
    const unsigned stack = 0x8FF - below;
    const auto low = static_cast<std::uint16_t>(0xE0C0U | (stack & 0xF0U) << 4U | (stack & 15U));
    // eor r1, r1; sts 0x8FF, r1, so that the address is one of program memory; ldi r28; ldi r29, 8; out SPH; out SPL;
    // ret
    BothWays both(with_translation_after(1),
                  words_image({0x2411, 0x9210, 0x08FF, low, 0xE0D8, 0xBFDE, 0xBFCD, 0x9508, 0xCFFF}));
    EXPECT_EQ(both.ours.run_until(11), both.simulators.run_until(11)) << stack;
    EXPECT_EQ(both.ours.crash_reason(), both.simulators.crash_reason()) << stack;
    EXPECT_EQ(both.ours.crashed_at(), both.simulators.crashed_at()) << stack;
    EXPECT_EQ(both.ours.next_address(), both.simulators.next_address()) << stack;
    EXPECT_EQ(both.ours.peek(0x5D), both.simulators.peek(0x5D)) << stack;
  }
}

}  // namespace
}  // namespace dawnrig::device
