// Loops that wait and are known again, one corner at a time: each program is compared with its own execution,
// instruction by instruction.
#include <gtest/gtest.h>

#include "tests/device/device_bench.h"
#include "tests/device/loop_maker.h"
#include "tests/device/opcodes.h"
#include "tests/device/wait_maker.h"

namespace dawnrig::device {
namespace {

constexpr std::size_t kMain = 128;
constexpr unsigned kSpcr = 0x2C, kSpsr = 0x2D, kSpdr = 0x2E;
constexpr unsigned kMatchesEvery2048 = 2, kMatchesEvery16384 = 3, kMatchesEveryTurnOver = 1;

/// A main program, and a routine for the match of timer 0.
class Program {
 public:
  Program() { stack(kStack); }

  Program& add(const std::vector<unsigned>& more) {
    for (const unsigned word : more) main_.push_back(static_cast<std::uint16_t>(word));
    return *this;
  }
  Program& set(unsigned d, unsigned k) { return add({constant(0xE000, d, k)}); }
  Program& load(unsigned d, unsigned address) { return add({one(0x9000, d), address}); }
  Program& store(unsigned address, unsigned d) { return add({one(0x9200, d), address}); }
  Program& put(unsigned address, unsigned k) { return set(16, k).store(address, 16); }
  Program& nops(unsigned many) { return add(std::vector<unsigned>(many, 0)); }
  Program& stack(unsigned at) {
    return set(16, at >> 8U).add({cell(0xB800, 16, 0x3E)}).set(16, at & 0xFFU).add({cell(0xB800, 16, 0x3D)});
  }
  Program& ticks(unsigned how, unsigned match = 200) {
    return set(16, match).add({cell(0xB800, 16, 0x27)}).set(16, how).add({0xBD05}).put(0x6E, 2).add({0x9478});
  }
  Program& ticks_no_more() { return put(0x6E, 0); }
  Program& watchdog_of_16_ms() { return add({0x95A8}).put(0x60, 0x18).put(0x60, 8); }
  /// Five cycles each.
  Program& delay(unsigned many) {
    return set(24, many & 0xFFU).set(25, many >> 8U & 0xFFU).set(26, many >> 16U).add({0x5081, 0x4090, 0x40A0, 0xF7E1});
  }
  [[nodiscard]] std::size_t here() const { return main_.size(); }
  /// While bit 0 of r20 is clear.
  Program& back_to(std::size_t head) {
    add({one(0xFE00, 20)});
    return jump_to(head);
  }
  Program& jump_to(std::size_t there) {
    main_.push_back(jump_back(main_.size(), there));
    return *this;
  }
  Program& routine(const std::vector<unsigned>& words) {
    for (const unsigned word : words) routine_.push_back(static_cast<std::uint16_t>(word));
    return *this;
  }
  void word_at(std::size_t at, unsigned word) { main_[at] = static_cast<std::uint16_t>(word); }
  [[nodiscard]] Words words() const {
    Words all(kMain, 0);
    all[0] = jump_back(0, kMain);  // forward, that is
    all[28] = jump_back(28, 64);
    std::copy(routine_.begin(), routine_.end(), all.begin() + 64);
    all.insert(all.end(), main_.begin(), main_.end());
    return all;
  }

 private:
  Words main_, routine_;
};

/// ldi r17, 1; sts the flag, r17; reti
const std::vector<unsigned> kSetsTheFlag{constant(0xE000, 17, 1), one(0x9200, 17), kFlag, 0x9518};

/// Both ways, at many instants.
void agree_on(const Words& words, Cycle end, Cycle slice = 97, double least_idle_frac = 0.25, Cycle first = 0,
              std::int64_t clock_hz = 16'000'000) {
  DeviceParams params;
  params.clock_hz = clock_hz;
  params.startup_delay_s = 0;
  BothWays both(params, words_image(words));
  auto& [witness, other, ours, simulators] = both;
  for (Cycle until = first; until < end; until += slice) {
    ASSERT_EQ(both.first_difference_at(until), "") << "cycle " << until;
    if (!ours.crash_reason().empty()) return;
  }
  ASSERT_EQ(witness.resets.size(), other.resets.size());
  for (std::size_t i = 0; i < other.resets.size(); ++i) ASSERT_EQ(witness.resets[i].at, other.resets[i].at);
  EXPECT_GT(static_cast<double>(ours.idle_cycles()), least_idle_frac * static_cast<double>(end)) << "nothing was tried";
}

// The loop jumps by a return to an address on the stack, and an interrupt puts another one there.
TEST(WaitingLoop, MayLieOnTheStack) {
  Program p;
  p.stack(kStack - 2).ticks(kMatchesEvery2048);
  const auto here = static_cast<unsigned>(kMain + p.here()) + 9;  // where the turn goes on
  const unsigned there = here + 3;                                // where it goes on once, after a tick
  p.set(24, here & 0xFFU).set(25, here >> 8U).set(26, there & 0xFFU).store(kStack, 24).store(kStack - 1, 25);
  const std::size_t head = p.here();
  p.add({0x0000, 0x9508});                                  // nop; ret
  p.add({one(0x920F, 24), one(0x920F, 25)}).jump_to(head);  // push: as it was
  p.add({0x9543 /* inc r20 */, one(0x920F, 24), one(0x920F, 25)}).jump_to(head);
  p.routine({0x9553 /* inc r21 */, one(0xFC00, 21) | 1U /* sbrc */, one(0x9200, 26), kStack, 0x9518});
  agree_on(p.words(), 100'000);
}

// A routine waits until a cell is set; its page is written with one that waits until the cell is clear, which it is.
TEST(WaitingLoop, IsForgottenWhenTheProgramWritesOverItself) {
  constexpr unsigned kRoutine = 0x200;  // a page of 128 bytes
  const Words first{one(0x9000, 16), kFlag, one(0xFE00, 16), 0xCFFC, 0x9508};
  const Words second{one(0x9000, 16), kFlag, one(0xFC00, 16), 0xCFFC, 0x9508};
  Program p;
  const auto store_program = [&p](unsigned how) { p.set(16, how).add({0xBF07, 0x95E8}); };
  p.ticks(kMatchesEvery2048).add({0x940E, kRoutine / 2}).put(kFlag, 0).add({0x94F8});
  p.set(31, kRoutine >> 8U);
  for (unsigned i = 0; i < second.size(); ++i) {
    p.set(30, 2 * i).set(17, second[i] & 0xFFU).set(18, second[i] >> 8U).add({two(0x2C00, 0, 17), two(0x2C00, 1, 18)});
    store_program(1);
  }
  p.set(30, 0);
  store_program(3);
  store_program(5);
  p.add({0x940E, kRoutine / 2, 0xB506 /* in r16, TCNT0 */}).store(kLeft, 16).add({0x9478, 0xCFFF});
  // The lowest bit of what the routine puts into the cell is set now and then.
  p.routine({0x9553, one(0xFC00, 21) | 3U, one(0x9200, 21), kFlag, 0x9518});
  Words words = p.words();
  words.resize(kRoutine / 2, 0);
  words.insert(words.end(), first.begin(), first.end());
  agree_on(words, 200'000);
}

// muls r20, r21, of which an interrupt changes one.
TEST(WaitingLoop, LooksAtTheFactorsOfASignedProduct) {
  for (const unsigned product : {0x0245U /* muls */, 0x0345U /* mulsu r20, r21 */, 0x9F45U /* mul */}) {
    Program p;
    p.set(20, 2).set(21, 3).put(kFlag, 0).ticks(kMatchesEvery2048);
    const std::size_t head = p.here();
    p.add({product, two(0x2C00, 22, 0)}).nops(12).load(23, kFlag).add({one(0xFE00, 23)}).jump_to(head);
    p.routine({0x9543 /* inc r20 */, 0x9518});
    agree_on(p.words(), 60'000);
  }
}

// Nothing pets the watchdog for almost its time; then a loop is met again whose turn pets it late.
TEST(WaitingLoop, DoesNotPutOffABiteThatComesBeforeItsTurnPetsTheWatchdog) {
  for (unsigned delay = 51'120; delay <= 51'200; delay += 4) {
    Program p;
    p.put(kFlag, 0).watchdog_of_16_ms().ticks(kMatchesEvery16384);
    const std::size_t head = p.here();
    p.nops(100).add({0x95A8}).load(20, kFlag).back_to(head);
    p.ticks_no_more().put(kFlag, 0).delay(delay).jump_to(head);
    p.routine(kSetsTheFlag);
    agree_on(p.words(), 700'000, 5'000, 0.02);
  }
}

// After a change of its settings the watchdog can be changed for four cycles, and petting it does not prolong that.
TEST(WaitingLoop, DoesNotProlongTheLeaveToChangeTheWatchdog) {
  for (const Cycle slice : {5'003, 290'000}) {
    Program p;
    p.put(kFlag, 0).watchdog_of_16_ms().ticks(kMatchesEvery16384).set(18, 8);
    const std::size_t change = p.here();
    p.store(0x60, 18);
    const std::size_t head = p.here();
    p.add({0x95A8}).load(20, kFlag).back_to(head);
    p.ticks_no_more().put(kFlag, 0).set(18, 0x18).jump_to(change);
    p.routine(kSetsTheFlag);
    agree_on(p.words(), 900'000, slice);
  }
}

// The watchdog bites in the last instruction of a turn that is being looked at.
TEST(WaitingLoop, IsOverWithTheBiteOfTheWatchdog) {
  for (unsigned shift = 0; shift < 160; shift += 2) {
    Program p;
    p.put(kFlag, 0).put(kLeft, 0).set(21, 0).set(16, 247).add({cell(0xB800, 16, 0x27)}).nops(shift);
    p.watchdog_of_16_ms().set(16, 5).add({0xBD05}).put(0x6E, 2).add({0x9478});
    const std::size_t head = p.here();
    p.load(20, kLeft).add({two(0x0C00, 21, 20)}).load(22, kFlag).add({one(0xFE00, 22)}).jump_to(head);
    // The routine makes the loop one that works, and lasts until shortly before the bite.
    p.routine({constant(0xE000, 17, 1), one(0x9200, 17), kLeft, constant(0xE000, 17, 0), one(0x9200, 17), 0x6E,
               constant(0xE000, 18, 0xF8), constant(0xE000, 19, 1), 0x5021, 0x4030, 0xF7E9, 0x9518});
    agree_on(p.words(), 300'000, 300'000 - 1);
  }
}

// The watchdog is petted in few turns only, so that its bite is moved while turns are looked at that do not pet it.
TEST(WaitingLoop, MayPetTheWatchdogNowAndThen) {
  for (unsigned shift = 0; shift < 400; ++shift) {
    Program p;
    p.watchdog_of_16_ms().set(16, 2).add({0xBD05}).nops(shift);
    const std::size_t head = p.here();
    p.add({0xB506 /* in r16, TCNT0 */, constant(0x3000, 16, 100), 0xF409 /* brne over */, 0x95A8}).jump_to(head);
    agree_on(p.words(), 12'000, 11'999, 0.1, 0, 150'000);
  }
}

// The watchdog's time is made shorter, and begins with the pet in front of a loop that never ends: it is over before
// the loop has been looked at long enough.
TEST(WaitingLoop, IsOverWithTheBiteThatAPetOnTheWayToItHasBroughtForward) {
  for (unsigned shift = 0; shift < 120; ++shift) {
    Program p;
    p.put(0x60, 0x18).put(0x60, 0x0A).nops(shift);  // 64 ms
    const std::size_t outer = p.here();
    p.nops(8).add({0x95A8}).put(0x60, 0x18).store(0x60, 16).add({0x95A8});  // 16 ms
    const std::size_t head = p.here();
    p.nops(7).jump_to(head).nops(30).jump_to(outer);
    agree_on(p.words(), 20'000, 19'999, 0.01, 0, 16'000);
  }
}

// An interrupt makes the watchdog's time shorter than a turn of the loop that pets it.
TEST(WaitingLoop, IsBittenWhereItsTurnsLastLongerThanTheWatchdog) {
  Program p;
  p.put(kFlag, 0).put(0x60, 0x18).put(0x60, 0x0C).ticks(kMatchesEvery2048);  // 250 ms, 4000 cycles
  const std::size_t head = p.here();
  p.add({0x95A8}).nops(300).load(20, kFlag).back_to(head);
  p.routine({constant(0xE000, 18, 0x18), constant(0xE000, 19, 0x08), one(0x9200, 18), 0x60, one(0x9200, 19), 0x60,
             0x9518});  // 16 ms, 256 cycles
  agree_on(p.words(), 30'000, 29'999, 0.1, 0, 16'000);
}

// A flag of the SPI is cleared by a read of its register and a transfer behind that. Who looks whether a loop would go
// on must not read what the loop will not.
TEST(WaitingLoop, ReadsNothingThatTheProgramDoesNotRead) {
  for (const Cycle slice : {97, 9'000}) {
    Program p;
    p.put(kFlag, 0).set(17, 0x53).set(18, 0x2C).add(
        {cell(0xB800, 18, 0x04), cell(0xB800, 17, kSpcr), cell(0xB800, 16, kSpdr)});
    const std::size_t head = p.here();
    p.load(20, kFlag).add({one(0xFC00, 20)});
    const std::size_t leaves = p.here();
    p.nops(1).add({cell(0xB000, 21, kSpsr), one(0xFE00, 21) | 7U}).jump_to(head);
    p.add({cell(0xB000, 16, kSpdr)}).put(kFlag, 1).add({cell(0xB800, 16, kSpdr)}).delay(600).jump_to(head);
    p.word_at(leaves, 0xC000U | static_cast<unsigned>(p.here() - leaves - 1));
    p.add({cell(0xB800, 16, kSpdr), cell(0xB000, 22, kSpsr)}).store(0x320, 22).add({0xCFFF});
    p.routine({0x9518});
    agree_on(p.words(), 20'000, slice);
  }
}

// The same loop, met in the depth of a recursion: its calls leave memory there.
TEST(WaitingLoop, CrashesWhereItsCallsFindNoRoomOnTheStack) {
  for (const unsigned stack : {0x8E0U, 0x102U}) {
    Program p;
    p.put(kFlag, 0).ticks(kMatchesEvery2048);
    const std::size_t head = p.here();
    p.nops(1).load(20, kFlag).back_to(head);
    p.ticks_no_more().put(kFlag, 0).stack(stack).jump_to(head);
    p.word_at(head, 0xD000U | static_cast<unsigned>(p.here() - head - 1));  // rcall
    p.add({one(0x920F, 2), one(0x920F, 3), one(0x900F, 3), one(0x900F, 2), 0x9508});
    p.routine(kSetsTheFlag);
    agree_on(p.words(), 60'000, 3'000);
  }
}

// The turn's own comparison is with the branch back; what it leaves in the flags is looked at nowhere in the turn, but
// in each of its cycles from outside.
TEST(WaitingLoop, HasItsFlagsRightAtItsHead) {
  Program p;
  p.ticks(kMatchesEveryTurnOver);
  p.nops(4).add({two(0x1400, 10, 10), 0xF001U | (0x80U - 6U) << 3U});  // cp; breq, six words back
  p.add({0xCFFF});
  p.routine({0x94A8, 0x94B8, 0x9518});  // sen, sev, reti
  agree_on(p.words(), 60'000, 7, 0.05, 10'000);
}

// It is met with interrupts disabled and one waiting, and enables them itself.
TEST(WaitingLoop, MayLetAnInterruptIn) {
  Program p;
  p.set(17, 0).ticks(kMatchesEvery2048);
  const std::size_t head = p.here();
  p.add({0x94F8}).load(16, kFlag).add({0x9478, one(0xFE00, 17)}).jump_to(head);
  p.set(17, 0).add({0x94F8}).delay(500).jump_to(head);
  p.routine({0x9523 /* inc r18 */, one(0xFC00, 18) | 1U, constant(0xE000, 17, 1), 0x9518});
  agree_on(p.words(), 100'000);
}

// Twelve of them in turn, two ways back to each head: more than are remembered.
TEST(WaitingLoop, IsOneOfMany) {
  Program p;
  p.put(kFlag, 0).ticks(kMatchesEvery2048);
  const std::size_t begin = p.here();
  for (unsigned i = 0; i < 12; ++i) {
    const std::size_t head = p.here();
    p.nops(i).load(20, kFlag).add({one(0xFC00, 21)}).back_to(head);
    p.back_to(head).put(kFlag, 0);
  }
  p.jump_to(begin);
  p.routine({0x9553 /* inc r21 */, constant(0xE000, 17, 1), one(0xFC00, 21) | 1U, one(0x9200, 17), kFlag, 0x9518});
  agree_on(p.words(), 400'000, 997);
}

// Interrupts come so often that every look would find their routine.
TEST(WaitingLoop, IsFoundBetweenFrequentInterrupts) {
  for (const unsigned match : {128U, 199U, 255U}) {
    Program p;
    p.put(kFlag, 0).set(16, 2).add({cell(0xB800, 16, 0x24)}).ticks(kMatchesEveryTurnOver, match);
    const std::size_t outer = p.here();
    p.store(0x320, 20);
    const std::size_t head = p.here();
    p.load(20, kFlag).back_to(head).jump_to(outer);
    p.routine({one(0x920F, 16), one(0x900F, 16), 0x9518});
    agree_on(p.words(), 200'000, 9'973, 0.3);
  }
}

}  // namespace
}  // namespace dawnrig::device
