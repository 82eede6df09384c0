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
    std::mt19937 draw(seed);
    const Cycle end = maker.guarded() ? 700'000 : 150'000;
    DeviceParams params;
    if (maker.guarded() && seed % 2 == 0) params.clock_hz = 16'000 << draw() % 4;  // 16 ms are 256 cycles, or 2048
    params.part = GetParam().name;
    params.startup_delay_s = 0;
    params.translate_after = translation_of(seed);
    BothWays both(params, image);
    auto& [witness, other, ours, simulators] = both;
    int left = 0;
    for (Cycle until = 0; until < end;) {
      until += static_cast<Cycle>(draw() % (draw() % 8 == 0 ? 60 : 12'000));
      const auto where = [&] { return "program " + std::to_string(seed) + ", cycle " + std::to_string(until); };
      ASSERT_EQ(both.first_difference_at(until), "") << where();
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
  EXPECT_GT(idle_cycles, 0.5 * all_cycles) << "or few are known again";
  EXPECT_GT(left_often, static_cast<int>(kPrograms) / 3);
  EXPECT_GT(bites, 5U);
}

INSTANTIATE_TEST_SUITE_P(EveryPart, WaitingLoops,
                         ::testing::Values(Part{"atmega328p", 0x100, 0x8FF, 28, 32, {'D', 6}},
                                           Part{"atmega2560", 0x200, 0x21FF, 42, 46, {'B', 7}}),
                         [](const auto& part) { return part.param.name; });

}  // namespace
}  // namespace dawnrig::device
