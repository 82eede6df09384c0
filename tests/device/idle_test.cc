// Idle time passes at once, and exactly: whatever waits is the same with and without skipping, cycle for cycle.
#include <gtest/gtest.h>

#include <random>

#include "harness/device/loop_map.h"
#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

struct Subject {
  Subject(const std::string& image, const std::string& part, bool skip_idle)
      : device(params(part, skip_idle), test_image(image, part), witness) {
    witness.adc_v = [](Cycle at, int channel) {
      return static_cast<double>((at / 977 + Cycle{31} * channel) % 500) * 0.01;
    };
  }
  Witness witness;
  VirtualDevice device;

 private:
  static DeviceParams params(const std::string& part, bool skip_idle) {
    DeviceParams params;
    params.part = part;
    params.startup_delay_s = 0.001;
    params.adc.noise_lsb = 0.7;
    params.seed = 3;
    params.skip_idle = skip_idle;
    for (const char port : {'B', 'D'}) {
      for (int bit = 0; bit < 8; ++bit) {
        params.watched.push_back({port, bit});
      }
    }
    return params;
  }
};

struct Case {
  std::string image, part;
  double least_idle_frac, most_idle_frac;
};
std::ostream& operator<<(std::ostream& out, const Case& one) {
  return out << one.image << " on " << one.part;
}

std::uint32_t memory_bytes(const std::string& part) {
  return part == "atmega2560" ? 0x2200 : 0x900;
}

class Idling : public ::testing::TestWithParam<Case> {};

/// Both are stopped at the same instants, which fall anywhere in their loops; each time all they hold must agree.
TEST_P(Idling, IsSkippedExactly) {
  const auto& [image, part, least_idle_frac, most_idle_frac] = GetParam();
  Subject skipping(image, part, true);
  Subject executing(image, part, false);
  std::mt19937 draw(7);
  constexpr Cycle kEnd = 12'000'000;
  for (Cycle until = 0; until < kEnd;) {
    until += draw() % 8 == 0 ? static_cast<Cycle>(draw() % 50) : static_cast<Cycle>(draw() % 60'000);
    skipping.device.run_until(until);
    executing.device.run_until(until);
    ASSERT_EQ(skipping.device.now(), executing.device.now());
    for (std::uint32_t at = 0; at < memory_bytes(part); ++at) {
      ASSERT_EQ(skipping.device.peek(at), executing.device.peek(at))
          << "address 0x" << std::hex << at << " at cycle " << std::dec << executing.device.now();
    }
    if (draw() % 4 == 0) {
      const bool level = draw() % 2 == 0;
      for (Subject* subject : {&skipping, &executing}) {
        subject->device.set_pin_level({'D', 2}, level);
        subject->device.send_serial(std::vector<std::uint8_t>{'x', 'y'});
      }
    }
  }
  ASSERT_EQ(skipping.witness.pins.size(), executing.witness.pins.size());
  for (std::size_t i = 0; i < executing.witness.pins.size(); ++i) {
    ASSERT_EQ(skipping.witness.pins[i].at, executing.witness.pins[i].at) << "pin event " << i;
    ASSERT_EQ(skipping.witness.pins[i].drive, executing.witness.pins[i].drive) << "pin event " << i;
  }
  ASSERT_EQ(skipping.witness.bytes.size(), executing.witness.bytes.size());
  for (std::size_t i = 0; i < executing.witness.bytes.size(); ++i) {
    ASSERT_EQ(skipping.witness.bytes[i].at, executing.witness.bytes[i].at) << "serial byte " << i;
  }
  ASSERT_EQ(skipping.witness.samples.size(), executing.witness.samples.size());
  ASSERT_EQ(skipping.witness.resets.size(), executing.witness.resets.size());
  const double idle_frac = static_cast<double>(skipping.device.idle_cycles()) / static_cast<double>(kEnd);
  std::printf("%s on %s: %.1f %% skipped\n", image.c_str(), part.c_str(), 100.0 * idle_frac);
  EXPECT_GE(idle_frac, least_idle_frac);
  EXPECT_LE(idle_frac, most_idle_frac);
}

INSTANTIATE_TEST_SUITE_P(
    Shapes, Idling,
    ::testing::Values(Case{"waiter", "atmega328p", 0.6, 0.9}, Case{"waiter", "atmega2560", 0.6, 0.9},
                      Case{"core_sketch", "atmega328p", 0.0, 1.0}, Case{"sleeper", "atmega328p", 0.9, 1.0},
                      Case{"watchdog", "atmega328p", 0.9, 1.0}, Case{"ready_interrupt", "atmega2560", 0.9, 1.0},
                      Case{"deep_sleeper", "atmega328p", 0.9, 1.0},
                      Case{"spinner", "atmega328p", 0.0, 0.0},  // counts its turns: that is work
                      Case{"echo", "atmega328p", 0.0, 0.01}),   // writes to a register of the serial port each turn
    [](const auto& chosen) { return chosen.param.image + "_" + chosen.param.part; });

TEST(Waiter, ComesThroughEveryOneOfItsWaits) {
  Subject subject("waiter", "atmega328p", true);
  subject.device.run_until(12'000'000);
  const auto done = subject.device.address_of("waits_done");
  ASSERT_TRUE(done.has_value());
  EXPECT_GE(subject.witness.of({'B', 0}).size(), 60U) << "four rounds of fifteen waits";
  EXPECT_GE(subject.witness.resets.size(), 3U) << "and the watchdog after them";
}

TEST(LoopMap, FindsTheSmallestLoopAroundEachInstruction) {
  //  0: nop   2: nop   4: dec r16   6: brne 4   8: rjmp 2   10: rjmp .
  const std::vector<std::uint16_t> words{0x0000, 0x0000, 0x950A, 0xF7F1, 0xCFFC, 0xCFFF};
  const Image image = words_image(words);
  const LoopMap map(image.flash, 0x8000);
  EXPECT_EQ(map.around(0), LoopMap::kNone);
  ASSERT_NE(map.around(4), LoopMap::kNone);
  EXPECT_EQ(map.at(map.around(4)).head, 4U);
  EXPECT_EQ(map.around(6), map.around(4));
  EXPECT_EQ(map.at(map.around(2)).head, 2U);
  EXPECT_EQ(map.at(map.around(8)).end, 10U);
  EXPECT_EQ(map.at(map.around(4)).outer, map.around(2));
  EXPECT_EQ(map.at(map.around(10)).head, 10U) << "a jump onto itself";
  EXPECT_EQ(map.at(map.around(10)).outer, LoopMap::kNone);
}

}  // namespace
}  // namespace dawnrig::device
