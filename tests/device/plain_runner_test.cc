// The instructions that this room executes itself, against the simulator's own execution of them: programs made at
// random, all of memory compared at random instants.
#include <gtest/gtest.h>

#include <initializer_list>
#include <random>
#include <utility>
#include <vector>

#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

using Words = std::vector<std::uint16_t>;

std::uint16_t two(unsigned operation, unsigned d, unsigned r) {
  return static_cast<std::uint16_t>(operation | (r & 0x10U) << 5U | d << 4U | (r & 15U));
}
std::uint16_t constant(unsigned operation, unsigned d, unsigned k) {
  return static_cast<std::uint16_t>(operation | (k & 0xF0U) << 4U | (d - 16U) << 4U | (k & 15U));
}

/// Works without end, in registers and in memory from 0x200 to 0x7FF, interrupted by timer 0 every 256 or 2048 cycles.
/// The pointers X, Y and Z are set anew before they are used, so that they never leave memory.
class ProgramMaker {
 public:
  explicit ProgramMaker(unsigned seed) : draw_(seed) {}

  Words make() {
    Words words(64, 0);
    words[0] = 0xC000U | 63U;         // rjmp to 64
    words[32] = 0xC000U | (48 - 33);  // timer 0 overflow
    // Its routine keeps what it uses: push r16, in r16 SREG, push r16, lds, inc, sts, pop, out, pop, reti
    const Words routine{0x930F, 0xB70F, 0x930F, 0x9100, 0x0800, 0x9503, 0x9300, 0x0800, 0x910F, 0xBF0F, 0x910F, 0x9518};
    std::copy(routine.begin(), routine.end(), words.begin() + 48);
    words.insert(words.end(), {0xE008, 0xBF0E, 0xEF0F, 0xBF0D});  // stack at 0x8FF
    for (unsigned r = 0; r < 32; ++r) {
      words.push_back(constant(0xE000, 16 + (r & 15U), draw_() & 0xFFU));
      if (r < 16) {
        words.push_back(two(0x2C00, r, 16 + r));
      }
    }
    words.push_back(constant(0xE000, 16, pick(1, 2)));
    words.insert(words.end(), {0xBD05, 0xE001, 0x9300, 0x006E, 0x9478});  // timer 0 runs and interrupts; sei
    const std::size_t head = words.size();
    const unsigned length = pick(20, 80);
    for (unsigned i = 0; i < length; ++i) {
      work(words);
    }
    words.push_back(static_cast<std::uint16_t>(0xC000U | ((head - words.size() - 1) & 0xFFFU)));
    return words;
  }

 private:
  unsigned pick(unsigned least, unsigned most) { return least + static_cast<unsigned>(draw_() % (most - least + 1)); }

  void arithmetic(Words& words) {
    static constexpr unsigned kTwo[] = {0x0400, 0x0C00, 0x0800, 0x1400, 0x1800, 0x1C00,
                                        0x2000, 0x2400, 0x2800, 0x2C00, 0x9C00};
    static constexpr unsigned kConstant[] = {0x3000, 0x4000, 0x5000, 0x6000, 0x7000, 0xE000};
    static constexpr unsigned kOne[] = {0x9400, 0x9401, 0x9402, 0x9403, 0x9405, 0x9406, 0x9407, 0x940A};
    switch (pick(0, 7)) {
      case 0:
      case 1:
      case 2:
        words.push_back(two(kTwo[pick(0, 10)], pick(0, 31), pick(0, 31)));
        break;
      case 3:
        words.push_back(constant(kConstant[pick(0, 5)], pick(16, 31), draw_() & 0xFFU));
        break;
      case 4:
        words.push_back(static_cast<std::uint16_t>(kOne[pick(0, 7)] | pick(0, 31) << 4U));
        break;
      case 5:
        words.push_back(static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0x9600U : 0x9700U) | (draw_() & 0xFFU)));
        break;
      case 6:
        words.push_back(
            static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0xFA00U : 0xF800U) | pick(0, 31) << 4U | pick(0, 7)));
        break;
      default:  // movw, or a flag other than that of interrupts
        words.push_back(static_cast<std::uint16_t>(pick(0, 1) == 0 ? 0x0100U | (draw_() & 0xFFU)
                                                                   : 0x9408U | pick(0, 1) << 7U | pick(0, 6) << 4U));
        break;
    }
  }

  void memory(Words& words) {
    static constexpr unsigned kByPointer[] = {0x900C, 0x900D, 0x900E, 0x9009, 0x900A, 0x9001, 0x9002};
    const unsigned stores = pick(0, 1) << 9U;
    const unsigned d = pick(0, 25);  // not one of the pointers itself
    if (pick(0, 3) == 0) {
      words.push_back(static_cast<std::uint16_t>(0x9000U | stores | d << 4U));
      words.push_back(static_cast<std::uint16_t>(pick(0x200, 0x7FF)));
      return;
    }
    for (unsigned pointer = 26; pointer < 32; pointer += 2) {
      words.push_back(constant(0xE000, pointer, draw_() & 0xFFU));
      words.push_back(constant(0xE000, pointer + 1, pick(3, 6)));
    }
    if (pick(0, 1) == 0) {
      words.push_back(static_cast<std::uint16_t>(kByPointer[pick(0, 6)] | stores | d << 4U));
    } else {
      const unsigned far = pick(0, 63);
      words.push_back(static_cast<std::uint16_t>(0x8000U | stores | d << 4U | pick(0, 1) << 3U | (far & 0x20U) << 8U |
                                                 (far & 0x18U) << 7U | (far & 7U)));
    }
  }

  void flow(Words& words) {
    switch (pick(0, 4)) {
      case 0:  // a branch over one instruction
        words.push_back(static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0xF000U : 0xF400U) | 1U << 3U | pick(0, 6)));
        arithmetic(words);
        break;
      case 1:  // a skip over one of one word or two
        words.push_back(pick(0, 1) == 0 ? two(0x1000, pick(0, 31), pick(0, 31))
                                        : static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0xFC00U : 0xFE00U) |
                                                                     pick(0, 31) << 4U | pick(0, 7)));
        if (pick(0, 1) == 0) {
          words.insert(words.end(), {0x9000, 0x0300});
        } else {
          arithmetic(words);
        }
        break;
      case 2:  // a call over a jump to a routine of one instruction, near or far
        if (pick(0, 1) == 0) {
          words.insert(words.end(), {0xD001, 0xC002});
        } else {
          words.push_back(0x940E);
          words.push_back(static_cast<std::uint16_t>(words.size() + 3));
          words.push_back(0x940C);
          words.push_back(static_cast<std::uint16_t>(words.size() + 3));
        }
        arithmetic(words);
        words.push_back(0x9508);
        break;
      case 3:  // push one, pop another
        words.push_back(static_cast<std::uint16_t>(0x920FU | pick(0, 31) << 4U));
        words.push_back(static_cast<std::uint16_t>(0x900FU | pick(0, 25) << 4U));
        break;
      default:  // a peripheral's register, and the flags as a whole
        words.push_back(static_cast<std::uint16_t>(0xB406U | pick(0, 25) << 4U | 1U << 9U));  // in r, TCNT0
        words.push_back(static_cast<std::uint16_t>(0xB60FU | pick(0, 25) << 4U));             // in r, SREG
        break;
    }
  }

  void work(Words& words) {
    switch (pick(0, 9)) {
      case 0:
      case 1:
      case 2:
        memory(words);
        break;
      case 3:
      case 4:
        flow(words);
        break;
      default:
        arithmetic(words);
        break;
    }
  }

  std::mt19937 draw_;
};

TEST(PlainRunner, LeavesTheProcessorAsTheSimulatorWouldHaveLeftIt) {
  constexpr Cycle kEnd = 40'000;
  constexpr unsigned kPrograms = 300;
  int interrupted = 0;
  for (unsigned seed = 1; seed <= kPrograms; ++seed) {
    const Image image = words_image(ProgramMaker(seed).make());
    DeviceParams params;
    params.startup_delay_s = 0;
    params.translate_after = translation_of(seed);
    BothWays both(params, image);
    auto& [witness, other, ours, simulators] = both;
    std::mt19937 draw(seed);
    for (Cycle until = 0; until < kEnd;) {
      until += static_cast<Cycle>(draw() % 5'000);
      ASSERT_EQ(ours.run_until(until), simulators.run_until(until)) << "program " << seed;
      ASSERT_EQ(ours.crash_reason(), "") << "program " << seed;
      ASSERT_EQ(ours.now(), simulators.now()) << "program " << seed;
      for (std::uint32_t at = 0; at < 0x900; ++at) {
        ASSERT_EQ(ours.peek(at), simulators.peek(at))
            << "program " << seed << ", address " << at << ", cycle " << until;
      }
    }
    interrupted += simulators.peek(0x800) != 0 ? 1 : 0;
  }
  EXPECT_EQ(interrupted, static_cast<int>(kPrograms)) << "every program is interrupted on its way";
}

// adiw r30, 12 to 15 and sbiw with them look like a long jump to who looks at too few of their bits.
TEST(PlainRunner, AndTheSimulatorSkipOneWordOverAnAdditionToAWord) {
  for (const bool shortcuts : {true, false}) {
    for (const unsigned skip : {0x1000U /* cpse r0, r0 */, 0xFC00U /* sbrc r0, 0 */, 0x99F8U /* sbic 0x1f, 0 */}) {
      for (const unsigned over : {0x963CU /* adiw r30, 12 */, 0x973FU /* sbiw r30, 15 */}) {
        const Image image = words_image({0x2400, 0xE010, 0xE5E5, static_cast<std::uint16_t>(skip),
                                         static_cast<std::uint16_t>(over), 0x9513 /* inc r17 */, 0xB91F, 0xCFFF});
        DeviceParams params;
        params.startup_delay_s = 0;
        params.skip_idle = shortcuts;
        Witness witness;
        VirtualDevice device(params, image, witness);
        (void)device.run_until(20);
        EXPECT_EQ(device.peek(17), 1) << "what stands behind is skipped as well: " << skip << " over " << over;
        EXPECT_EQ(device.peek(30), 0x55) << "not skipped at all: " << skip << " over " << over;
      }
    }
  }
}

// A routine is called, its page is filled, erased and written with another one, and it is called again.
TEST(PlainRunner, ExecutesWhatTheProgramHasWrittenOverItself) {
  std::vector<std::uint16_t> words;
  const auto add = [&](std::initializer_list<unsigned> more) {
    for (const unsigned word : more) words.push_back(static_cast<std::uint16_t>(word));
  };
  const auto constant = [&](unsigned d, unsigned k) {
    add({0xE000U | (k & 0xF0U) << 4U | (d - 16U) << 4U | (k & 0xFU)});
  };
  const auto store_program = [&](unsigned how) {
    constant(16, how);
    add({0xBF07, 0x95E8});  // out SPMCSR, r16; spm
  };
  constexpr unsigned kRoutine = 0x100;  // the second page of 128 bytes
  const auto call = [&](unsigned keep_at) {
    add({0x940E, kRoutine / 2, 0x9340, keep_at});  // call; sts keep_at, r20
  };
  call(0x200);
  constant(31, kRoutine >> 8U);
  for (const auto& [at, word] : {std::pair{kRoutine, 0xE242U}, {kRoutine + 2, 0x9508U}}) {  // ldi r20, 0x22; ret
    constant(30, at & 0xFFU);
    constant(17, word & 0xFFU);
    constant(18, word >> 8U);
    add({0x2E01, 0x2E12});  // mov r0, r17; mov r1, r18
    store_program(1);
  }
  constant(30, kRoutine & 0xFFU);
  store_program(3);
  store_program(5);
  call(0x201);
  add({0xCFFF});
  words.resize(kRoutine / 2, 0);
  add({0xE141, 0x9508});  // ldi r20, 0x11; ret
  for (const int way : {0, 1, 2}) {
    Witness witness;
    DeviceParams params;
    params.startup_delay_s = 0;
    params.skip_idle = way != 0;
    params.translate_after = way == 1 ? 1 : 0;  // the routine's first version, too
    VirtualDevice device(params, words_image(words), witness);
    ASSERT_EQ(device.run_until(200'000), RunStatus::kRunning) << device.crash_reason();
    EXPECT_EQ(device.peek(0x200), 0x11) << way;
    EXPECT_EQ(device.peek(0x201), 0x22) << way;
  }
}

/// Plays a main program that is served by one routine, and expects that to have been entered again and again.
void expect_interrupts(std::size_t vector_word, const std::vector<std::uint16_t>& main_program) {
  for (const bool ours : {true, false}) {
    std::vector<std::uint16_t> words(96, 0);
    words[0] = 0xC000U + 63;                                                      // rjmp to 64
    words[vector_word] = static_cast<std::uint16_t>(0xC000U + 79 - vector_word);  // rjmp to 80
    std::copy(main_program.begin(), main_program.end(), words.begin() + 64);
    words[80] = 0x9503;  // inc r16
    words[81] = 0x9518;  // reti
    DeviceParams params;
    params.startup_delay_s = 0;
    params.skip_idle = ours;
    Witness witness;
    VirtualDevice device(params, words_image(words), witness);
    device.poke(16, 0);
    device.run_until(2'000);
    EXPECT_GT(device.peek(16), 100) << "vector at " << vector_word;
    EXPECT_EQ(device.crash_reason(), "");
  }
}

// The transmitter's buffer is empty, and nothing is being programmed: these two ask again as soon as they are served.
TEST(Levels, InterruptAfterEachInstructionOfTheMainProgram) {
  // ldi r17; sts the mask, r17; sei; rjmp to itself
  expect_interrupts(38, {0xE210, 0x9310, 0xC1, 0x9478, 0xCFFF});
  expect_interrupts(44, {0xE018, 0x9310, 0x3F, 0x9478, 0xCFFF});
}

// A start has been sent; the bus is switched off with the flag left standing, and its interrupt enabled.
TEST(Levels, InterruptWhereTheUnitIsSwitchedOffWithItsFlagStanding) {
  expect_interrupts(48, {0xEA14, 0x9310, 0xBC, 0x9120, 0xBC,    // TWCR = start; lds r18, TWCR
                         0xFF27, 0xCFFC, 0xE011, 0x9310, 0xBC,  // until its flag stands; TWCR = 1
                         0x9478, 0xCFFF});                      // sei; rjmp to itself
}

}  // namespace
}  // namespace dawnrig::device
