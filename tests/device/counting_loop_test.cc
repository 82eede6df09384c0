// Loops that read a running counter, made at random: whatever arithmetic they do with the count, and wherever it lets
// them out, skipping must agree with executing.
#include <gtest/gtest.h>

#include <random>

#include "tests/device/device_bench.h"
#include "tests/device/opcodes.h"

namespace dawnrig::device {
namespace {

using Words = std::vector<std::uint16_t>;

/// Registers 16 to 19, 24 and 25 are set anew in each turn; 2 to 9 never change.
class LoopMaker {
 public:
  explicit LoopMaker(unsigned seed) : draw_(seed) {}

  Words make() {
    Words words;
    for (unsigned r = 2; r < 10; ++r) {
      words.push_back(constant(0xE000, 20, draw_() & 0xFFU));  // ldi
      words.push_back(two(0x2C00, r, 20));                     // mov
    }
    words.insert(words.end(), {0xE100, 0x2EA0});  // r10 = 16
    words.push_back(constant(0xE000, 16, pick(1, 3)));
    words.push_back(0xBD05);  // timer 0 counts every 1, 8 or 64 cycles
    const std::size_t head = words.size();
    words.push_back(two(0x1400, 2, 3));  // cp: no flag comes from the turn before
    words.push_back(0xFA23);             // bst r2, 3
    words.push_back(0xB506);             // in r16, TCNT0
    for (unsigned r = 17; r < 20; ++r) {
      words.push_back(two(0x2C00, r, pick(2, 9)));
    }
    words.push_back(two(0x2C00, 24, pick(16, 19)));
    words.push_back(two(0x2C00, 25, pick(16, 19)));
    const unsigned length = pick(2, 14);
    for (unsigned i = 0; i < length; ++i) {
      work(words);
    }
    const std::size_t branch = words.size();
    words.push_back(0);
    words.push_back(jump_back(words.size(), head));
    words[branch] = static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0xF000U : 0xF400U) | 1U << 3U | pick(0, 5));
    // Out of it: keeps what it came to, counts, clears the overflow flag, and begins again.
    words.insert(words.end(), {0xB74F, 0x9340, 0x0200, 0x9300, 0x0201, 0x9310, 0x0202, 0x9320, 0x0203, 0x9330,
                               0x0204, 0x9380, 0x0205, 0x9390, 0x0206, 0x94A3, 0x92A0, 0x0207, 0xE001, 0xBB05});
    words.push_back(jump_back(words.size(), head));
    return words;
  }

 private:
  unsigned pick(unsigned least, unsigned most) { return least + static_cast<unsigned>(draw_() % (most - least + 1)); }
  unsigned scratch() { return pick(0, 5) < 4 ? pick(16, 19) : pick(24, 25); }
  unsigned any() { return pick(0, 1) == 0 ? scratch() : pick(2, 9); }

  void work(Words& words) {
    static constexpr unsigned kTwo[] = {0x0400, 0x0C00, 0x0800, 0x1400, 0x1800, 0x1C00, 0x2000, 0x2400, 0x2800, 0x2C00};
    static constexpr unsigned kConstant[] = {0x3000, 0x4000, 0x5000, 0x6000, 0x7000, 0xE000};
    static constexpr unsigned kOne[] = {0x9400, 0x9401, 0x9402, 0x9403, 0x9405, 0x9406, 0x9407, 0x940A};
    switch (pick(0, 10)) {
      case 0:
      case 1:
      case 2:
        words.push_back(two(kTwo[pick(0, 9)], scratch(), any()));
        break;
      case 3:
      case 4:
        words.push_back(constant(kConstant[pick(0, 5)], scratch(), draw_() & 0xFFU));
        break;
      case 5:
        words.push_back(static_cast<std::uint16_t>(kOne[pick(0, 7)] | scratch() << 4U));
        break;
      case 6:
        words.push_back(static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0x9600U : 0x9700U) | pick(0, 15)));  // r25:r24
        break;
      case 7:
        words.push_back(
            static_cast<std::uint16_t>((pick(0, 1) == 0 ? 0xFA00U : 0xF800U) | scratch() << 4U | pick(0, 7)));
        break;
      case 8:  // push one, pop another
        words.push_back(static_cast<std::uint16_t>(0x920FU | any() << 4U));
        words.push_back(static_cast<std::uint16_t>(0x900FU | scratch() << 4U));
        break;
      case 9:  // the timer's own flags
        words.push_back(0xB355);
        words.push_back(two(0x2C00, scratch(), 21));
        break;
      default:  // the flags through a register
        words.insert(words.end(), {0xB75F, 0xBF5F});
        words.push_back(two(0x2C00, scratch(), 21));
        break;
    }
  }

  std::mt19937 draw_;
};

TEST(CountingLoops, AreSkippedExactlyWhateverTheyCompute) {
  Cycle idle = 0;
  int let_out = 0;
  constexpr Cycle kEnd = 60'000;
  constexpr unsigned kLoops = 400;
  for (unsigned seed = 1; seed <= kLoops; ++seed) {
    const Image image = words_image(LoopMaker(seed).make());
    DeviceParams params;
    params.startup_delay_s = 0;
    params.translate_after = translation_of(seed);
    BothWays both(params, image);
    auto& [witness, other, skipping, executing] = both;
    std::mt19937 draw(seed);
    for (Cycle until = 0; until < kEnd;) {
      until += static_cast<Cycle>(draw() % 9'000);
      skipping.run_until(until);
      executing.run_until(until);
      ASSERT_EQ(skipping.now(), executing.now()) << "loop " << seed;
      for (std::uint32_t at = 0; at < 0x900; ++at) {
        ASSERT_EQ(skipping.peek(at), executing.peek(at))
            << "loop " << seed << ", address " << at << ", cycle " << until;
      }
    }
    idle += skipping.idle_cycles();
    let_out += executing.peek(0x207) != 0 ? 1 : 0;
  }
  const double idle_frac = static_cast<double>(idle) / static_cast<double>(kLoops * kEnd);
  std::printf("%.1f %% skipped, %d of %u loops were left at times\n", 100.0 * idle_frac, let_out, kLoops);
  EXPECT_GT(idle_frac, 0.2) << "or nothing was tried";
  EXPECT_GT(let_out, 50);
}

}  // namespace
}  // namespace dawnrig::device
