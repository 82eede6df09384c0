// Sleep that is passed within a run of instructions, one corner at a time: each program is compared with its own
// execution, instruction by instruction and cycle by cycle.
#include <gtest/gtest.h>

#include "tests/device/device_bench.h"
#include "tests/device/loop_maker.h"
#include "tests/device/opcodes.h"

namespace dawnrig::device {
namespace {

constexpr std::size_t kMain = 128;
constexpr std::size_t kMatchVector = 28;  // in words
constexpr unsigned kAdcsra = 0x7A, kTimsk0 = 0x6E, kWdtcsr = 0x60;
constexpr unsigned kClock0 = 0x25, kMode0 = 0x24, kMatch0 = 0x27, kSmcr = 0x33, kLow = 0x3D, kHigh = 0x3E;

/// A main program that sleeps for ever, and a routine for the match of timer 0 that counts.
class SleepyProgram {
 public:
  SleepyProgram() {
    words_.assign(kMain, 0x9518);
    words_[0] = jump_back(0, kMain);  // forward, that is
    words_[kMatchVector] = 0x9543;    // inc r20; reti
    stack(kStack).out(kSmcr, 1);
  }
  SleepyProgram& out(unsigned io, unsigned value) { return add({constant(0xE000, 16, value), cell(0xB800, 16, io)}); }
  SleepyProgram& put(unsigned address, unsigned value) {
    return add({constant(0xE000, 16, value), one(0x9200, 16), address});
  }
  SleepyProgram& stack(unsigned at) { return out(kHigh, at >> 8U).out(kLow, at & 0xFFU); }
  SleepyProgram& nops(unsigned many) { return add(std::vector<unsigned>(many, 0)); }
  SleepyProgram& watchdog_of_16_ms() { return put(kWdtcsr, 0x18).put(kWdtcsr, 8); }
  SleepyProgram& matches_every(unsigned cycles) {
    return out(kMode0, 2).out(kMatch0, cycles - 1).put(kTimsk0, 2).out(kClock0, 1);
  }
  SleepyProgram& sleeps() {
    add({0x9478});
    const std::size_t head = words_.size();
    return add({0x9588, jump_back(head + 1, head)});
  }
  [[nodiscard]] const Words& words() const { return words_; }

 private:
  SleepyProgram& add(const std::vector<unsigned>& more) {
    for (const unsigned word : more) words_.push_back(static_cast<std::uint16_t>(word));
    return *this;
  }
  Words words_;
};

void agree_on(const Words& words, Cycle end, Cycle slice, std::int64_t clock_hz) {
  DeviceParams params;
  params.clock_hz = clock_hz;
  params.startup_delay_s = 0;
  BothWays both(params, words_image(words));
  auto& [witness, other, ours, simulators] = both;
  for (Cycle until = slice; until <= end; until += slice) {
    ASSERT_EQ(both.first_difference_at(until), "") << "cycle " << until;
  }
  ASSERT_EQ(witness.resets.size(), other.resets.size());
  for (std::size_t i = 0; i < other.resets.size(); ++i) EXPECT_EQ(witness.resets[i].at, other.resets[i].at);
  EXPECT_GT(ours.idle_cycles(), end / 8) << "nothing was tried";
}

// In one of them the bite comes in the very cycle of a match, in others while the routine is being entered.
TEST(SleepPassed, EndsWithTheBiteThatComesWithAnInterrupt) {
  for (unsigned shift = 0; shift < 64; ++shift) {
    SCOPED_TRACE(shift);
    agree_on(SleepyProgram().watchdog_of_16_ms().nops(shift).matches_every(64).sleeps().words(), 3'000, 2'999, 64'000);
  }
}

// A converter that nobody waits for samples every 26 cycles; in one of them the bite comes in that cycle.
TEST(SleepPassed, EndsWithTheBiteThatComesWithASample) {
  for (unsigned shift = 0; shift < 26; ++shift) {
    SCOPED_TRACE(shift);
    agree_on(SleepyProgram().watchdog_of_16_ms().nops(shift).put(kAdcsra, 0xE1).sleeps().words(), 3'000, 2'999, 64'000);
  }
}

// The interrupt that ends the sleep finds no room for the way back.
TEST(SleepPassed, CrashesWhereAnInterruptFindsNoRoomOnTheStack) {
  for (unsigned stack = 0x100; stack < 0x104; ++stack) {
    SCOPED_TRACE(stack);
    agree_on(SleepyProgram().matches_every(200).stack(stack).sleeps().words(), 1'000, 1'000, 16'000'000);
  }
}

}  // namespace
}  // namespace dawnrig::device
