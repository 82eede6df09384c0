// Loops that wait for an interrupt, made at random: whatever they look at, and whatever the interrupts change of that,
// a loop that is known again must be the loop that would have been executed.
#include <gtest/gtest.h>

#include <random>

#include "tests/device/device_bench.h"
#include "tests/device/opcodes.h"
#include "tests/device/wait_maker.h"

namespace dawnrig::device {
namespace {

class WaitingLoops : public ::testing::TestWithParam<Part> {};

TEST_P(WaitingLoops, AreKnownAgainForWhatTheyAre) {
  constexpr unsigned kPrograms = 300;
  double idle_cycles = 0;
  double all_cycles = 0;
  int left_often = 0;
  std::size_t bites = 0;
  for (unsigned seed = 1; seed <= kPrograms; ++seed) {
    WaitMaker maker(seed, GetParam());
    const Image image = words_image(maker.make());
    const Cycle end = maker.guarded() ? 700'000 : 150'000;
    DeviceParams params;
    params.part = GetParam().name;
    params.startup_delay_s = 0;
    BothWays both(params, image);
    auto& [witness, other, ours, simulators] = both;
    std::mt19937 draw(seed);
    int left = 0;
    for (Cycle until = 0; until < end;) {
      until += static_cast<Cycle>(draw() % (draw() % 8 == 0 ? 60 : 12'000));
      const auto where = [&] { return "program " + std::to_string(seed) + ", cycle " + std::to_string(until); };
      ASSERT_EQ(ours.run_until(until), simulators.run_until(until)) << where() << ": " << simulators.crash_reason();
      ASSERT_EQ(ours.now(), simulators.now()) << where();
      ASSERT_EQ(ours.next_address(), simulators.next_address()) << where();
      ASSERT_EQ(ours.flags(), simulators.flags()) << where();
      for (std::uint32_t at = 0; at < 0x900; ++at) {
        ASSERT_EQ(ours.peek(at), simulators.peek(at)) << where() << ", in memory at " << at;
      }
      left = std::max(left, static_cast<int>(simulators.peek(kLeft)));
      if (draw() % 4 == 0) {
        const bool level = draw() % 2 == 0;
        ours.set_pin_level({'D', 2}, level);
        simulators.set_pin_level({'D', 2}, level);
      }
    }
    ASSERT_EQ(witness.resets.size(), other.resets.size()) << "program " << seed;
    for (std::size_t i = 0; i < other.resets.size(); ++i) {
      ASSERT_EQ(witness.resets[i].at, other.resets[i].at) << "program " << seed;
    }
    bites += other.resets.size() - 1;
    left_often += left > 2 ? 1 : 0;
    idle_cycles += static_cast<double>(ours.idle_cycles());
    all_cycles += static_cast<double>(end);
  }
  std::printf("%.1f %% skipped, %d of %u programs left their loops at times, the watchdog bit %zu times\n",
              100.0 * idle_cycles / all_cycles, left_often, kPrograms, bites);
  EXPECT_GT(idle_cycles, 0.3 * all_cycles) << "or nothing was tried";
  EXPECT_GT(left_often, static_cast<int>(kPrograms) / 3);
  EXPECT_GT(bites, 5U);
}

INSTANTIATE_TEST_SUITE_P(EveryPart, WaitingLoops,
                         ::testing::Values(Part{"atmega328p", 0x100, 0x8FF, 28, 32, {'D', 6}},
                                           Part{"atmega2560", 0x200, 0x21FF, 42, 46, {'B', 7}}),
                         [](const auto& part) { return part.param.name; });

/// On both ways, at many instants.
void agree_on(const Words& words, Cycle end) {
  DeviceParams params;
  params.startup_delay_s = 0;
  BothWays both(params, words_image(words));
  for (Cycle until = 0; until < end; until += 97) {
    ASSERT_EQ(both.ours.run_until(until), both.simulators.run_until(until)) << both.simulators.crash_reason();
    ASSERT_EQ(both.ours.now(), both.simulators.now());
    ASSERT_EQ(both.ours.next_address(), both.simulators.next_address()) << "cycle " << until;
    for (std::uint32_t at = 0; at < 0x900; ++at) {
      ASSERT_EQ(both.ours.peek(at), both.simulators.peek(at)) << "in memory at " << at << ", cycle " << until;
    }
  }
  EXPECT_GT(both.ours.idle_cycles(), end / 4) << "or nothing was tried";
}

Words with_routine_and_main(const Words& routine, const Words& main) {
  Words words(128, 0);
  words[0] = jump_back(0, 128);   // forward, that is
  words[28] = jump_back(28, 64);  // a match of timer 0
  std::copy(routine.begin(), routine.end(), words.begin() + 64);
  words.insert(words.end(), main.begin(), main.end());
  return words;
}
// ldi r16; out TCCR0B, r16; ldi r16; sts TIMSK0, r16; sei: a match every 2048 cycles
const Words kTicking{0xE002, 0xBD05, 0xE002, 0x9300, 0x006E, 0x9478};

// The loop jumps by a return to an address on the stack, and an interrupt puts another one there.
TEST(WaitingLoop, MayLieOnTheStack) {
  const auto low = [](unsigned word) { return word & 0xFFU; };
  constexpr unsigned kStart = 128;
  Words main{constant(0xE000, 16, low(kStack - 2)), cell(0xB800, 16, 0x3D), constant(0xE000, 16, kStack >> 8U),
             cell(0xB800, 16, 0x3E)};
  main.insert(main.end(), kTicking.begin(), kTicking.end());
  const unsigned here = kStart + static_cast<unsigned>(main.size()) + 9;  // where the turn goes on
  const unsigned there = here + 3;                                        // where it goes on once, after a tick
  main.insert(main.end(), {constant(0xE000, 24, low(here)), constant(0xE000, 25, here >> 8U),
                           constant(0xE000, 26, low(there)), one(0x9200, 24), kStack, one(0x9200, 25), kStack - 1});
  const std::size_t head = main.size();
  main.insert(main.end(), {0x0000, 0x9508});  // nop; ret
  ASSERT_EQ(kStart + main.size(), here);
  main.insert(main.end(), {one(0x920F, 24), one(0x920F, 25)});  // push: as it was
  main.push_back(jump_back(main.size(), head));
  main.insert(main.end(), {0x9543 /* inc r20 */, one(0x920F, 24), one(0x920F, 25)});
  main.push_back(jump_back(main.size(), head));
  // inc r21; sbrc r21, 1; sts the lower half of the address, r26; reti
  agree_on(with_routine_and_main(
               {0x9553, static_cast<std::uint16_t>(one(0xFC00, 21) | 1U), one(0x9200, 26), kStack, 0x9518}, main),
           100'000);
}

// A routine waits until a cell is set; its page is written with one that waits until the cell is clear, which it is.
TEST(WaitingLoop, IsForgottenWhenTheProgramWritesOverItself) {
  constexpr unsigned kRoutine = 0x200;  // a page of 128 bytes
  Words main = kTicking;
  const auto add = [&main](const Words& more) { main.insert(main.end(), more.begin(), more.end()); };
  const auto store_program = [&add](unsigned how) { add({constant(0xE000, 16, how), 0xBF07, 0x95E8}); };
  const Words first{one(0x9000, 16), kFlag, static_cast<std::uint16_t>(one(0xFE00, 16)), 0xCFFC, 0x9508};
  const Words second{one(0x9000, 16), kFlag, static_cast<std::uint16_t>(one(0xFC00, 16)), 0xCFFC, 0x9508};
  add({0x940E, kRoutine / 2, two(0x2400, 20, 20), one(0x9200, 20), kFlag, 0x94F8});  // call; the cell cleared; cli
  add({constant(0xE000, 31, kRoutine >> 8U)});
  for (unsigned i = 0; i < second.size(); ++i) {
    add({constant(0xE000, 30, 2 * i), constant(0xE000, 17, second[i] & 0xFFU), constant(0xE000, 18, second[i] >> 8U),
         two(0x2C00, 0, 17), two(0x2C00, 1, 18)});
    store_program(1);
  }
  add({constant(0xE000, 30, 0)});
  store_program(3);
  store_program(5);
  add({0x940E, kRoutine / 2, 0xB506 /* in r16, TCNT0 */, one(0x9200, 16), kLeft, 0x9478, 0xCFFF});
  // inc r21; sbrc r21, 3; sts the cell, r21, whose lowest bit is set now and then; reti
  Words words = with_routine_and_main(
      {0x9553, static_cast<std::uint16_t>(one(0xFC00, 21) | 3U), one(0x9200, 21), kFlag, 0x9518}, main);
  words.resize(kRoutine / 2, 0);
  words.insert(words.end(), first.begin(), first.end());
  agree_on(words, 200'000);
}

}  // namespace
}  // namespace dawnrig::device
