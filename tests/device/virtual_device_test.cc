// The device as a whole: common firmware, its memory, many at once, and twice the same.
#include <gtest/gtest.h>

#include <thread>

#include "harness/base/bad_input.h"
#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

DeviceParams sketch_params() {
  DeviceParams params;
  params.startup_delay_s = 0;
  params.watched = {{'D', 6}, {'B', 1}, {'B', 2}, {'D', 3}, {'B', 5}};
  return params;
}

struct Duty {
  double high_frac;
  double hz;
};

Duty duty_of(const std::vector<PinEvent>& edges) {
  std::size_t first = 4;
  while (edges[first].drive != Drive::kHigh) {
    ++first;
  }
  std::size_t last = edges.size() - 1;
  while (edges[last].drive != Drive::kHigh) {
    --last;
  }
  Cycle high = 0;
  for (std::size_t i = first; i < last; i += 2) {
    high += edges[i + 1].at - edges[i].at;
  }
  const auto span = static_cast<double>(edges[last].at - edges[first].at);
  return {static_cast<double>(high) / span, static_cast<double>(last - first) / 2.0 * 16e6 / span};
}

/// The commonest firmware: analogWrite() uses phase-correct PWM on timers 1 and 2, which the simulator does not show.
TEST(PackagedCore, ShowsItsPwmOnAllThreeTimers) {
  Witness witness;
  VirtualDevice device(sketch_params(), test_image("core_sketch", "atmega328p"), witness);
  ASSERT_EQ(device.run_until(16'000'000), RunStatus::kRunning) << device.crash_reason();
  const Duty fast = duty_of(witness.of({'D', 6}));
  EXPECT_NEAR(fast.high_frac, 65.0 / 256.0, 1e-9);
  EXPECT_NEAR(fast.hz, 976.5625, 1e-6);
  const Duty centred = duty_of(witness.of({'B', 1}));
  EXPECT_NEAR(centred.high_frac, 64.0 / 255.0, 1e-9);
  EXPECT_NEAR(centred.hz, 16e6 / 64.0 / 510.0, 1e-6);
  EXPECT_NEAR(duty_of(witness.of({'B', 2})).high_frac, 128.0 / 255.0, 1e-9);
  EXPECT_NEAR(duty_of(witness.of({'D', 3})).high_frac, 40.0 / 255.0, 1e-9);
}

TEST(PackagedCore, KeepsTimePrintsAndGoesOnWithoutItsDisplay) {
  Witness witness;
  witness.adc_v = [](Cycle, int channel) { return channel == 0 ? 2.5 : 0.0; };
  VirtualDevice device(sketch_params(), test_image("core_sketch", "atmega328p"), witness);
  device.run_until(16'000'000);
  const std::string said = witness.text();
  EXPECT_EQ(said.find("boot 255 wire 2\r\n"), 0U)
      << "an absent bus slave refuses its address (2): " << said.substr(0, 40);
  EXPECT_NE(said.find("a0 512 t "), std::string::npos) << said;
  const auto blinks = witness.of({'B', 5});
  ASSERT_GE(blinks.size(), 9U);
  for (std::size_t k = 2; k < blinks.size(); ++k) {
    EXPECT_NEAR(static_cast<double>(blinks[k].at - blinks[k - 1].at), 1'600'000.0, 40'000.0) << "delay(100)";
  }
}

TEST(Eeprom, OutlivesResetsAndPowerCyclesAndCountsItsWrites) {
  Witness witness;
  VirtualDevice device(sketch_params(), test_image("core_sketch", "atmega328p"), witness);
  device.run_until(1'000'000);
  EXPECT_EQ(device.eeprom_writes(), 2);
  EXPECT_EQ(device.eeprom()[10], 0) << "255 + 1";
  EXPECT_EQ(device.eeprom()[11], 0x5A);
  EXPECT_EQ(device.eeprom().size(), 1024U);
  device.power_off();
  device.power_on();
  device.run_until(device.now() + 1'000'000);
  EXPECT_EQ(device.eeprom()[10], 1);
  EXPECT_EQ(device.eeprom_writes(), 3) << "an update of an equal byte writes nothing";
  device.set_eeprom(std::vector<std::uint8_t>(20, 7));
  device.hold_reset(true);
  device.hold_reset(false);
  device.run_until(device.now() + 1'000'000);
  EXPECT_EQ(device.eeprom()[10], 8);
  EXPECT_EQ(device.eeprom()[25], 0xFF);
}

TEST(Eeprom, TakesThreePointFourMillisecondsToWrite) {
  DeviceParams params = sketch_params();
  params.watched = {{'B', 0}};
  Witness witness;
  VirtualDevice device(params, test_image("ready_interrupt", "atmega328p"), witness);
  device.run_until(400'000);
  ASSERT_EQ(witness.pins.size(), 4U);
  for (std::size_t i = 2; i < 4; ++i) {
    EXPECT_NEAR(static_cast<double>(witness.pins[i].at - witness.pins[i - 1].at), 54'400.0, 60.0);
  }
  EXPECT_EQ(device.eeprom_writes(), 3);
  EXPECT_EQ(device.eeprom()[7], 0xA2);
}

TEST(Eeprom, IsBusyForFirmwareThatPollsAndRefusesAWriteThatWasNotArmed) {
  Script script;
  script.write(0x41, 9).write(0x40, 0x42).write(0x3F, 0x02);  // no master enable before
  Player player(script, {});
  player.device.run_until(10'000);
  EXPECT_EQ(player.device.eeprom_writes(), 0);
  EXPECT_EQ(player.device.eeprom()[9], script.bytes()[9]);
}

TEST(Memory, IsReadAndWrittenByNameAndAddress) {
  Witness witness;
  VirtualDevice device(sketch_params(), test_image("sleeper", "atmega328p"), witness);
  device.run_until(170'000);
  const auto ticks = device.address_of("ticks");
  ASSERT_TRUE(ticks.has_value());
  EXPECT_EQ(device.peek(*ticks), 10);
  device.poke(*ticks, 100);
  device.run_until(186'000);
  EXPECT_EQ(device.peek(*ticks), 101);
  EXPECT_FALSE(device.address_of("no_such_thing").has_value());
  EXPECT_EQ(device.peek(0xFFFFFF), 0) << "outside memory";
}

TEST(Pins, ReportPullUpsAndReadBackWhatTheOutsidePutsThere) {
  Script script;
  script.write(0x25, 0x01).read(0x23).write(0x24, 0x02).write(0x23, 0x02).read(0x23).write(0x55, 0x10);
  Player player(script, {{'B', 0}, {'B', 1}});
  player.device.set_pin_level({'B', 4}, true);
  player.device.run_until(20'000);
  const auto pull_up = player.witness.of({'B', 0});
  ASSERT_EQ(pull_up.size(), 2U);
  EXPECT_EQ(pull_up[0].drive, Drive::kPullUp);
  EXPECT_EQ(pull_up[1].drive, Drive::kHighImpedance) << "all pull-ups were disabled";
  EXPECT_EQ(player.results(), (std::vector<std::uint8_t>{0x11, 0x13}));
  EXPECT_EQ(player.device.drive_of({'B', 1}), Drive::kHigh) << "writing a one to the input register toggles the latch";
}

TEST(Pins, OfATimerFollowItOnlyWhileTheyAreOutputs) {
  Script script;
  script.write_word(0x88, 64).write(0x80, 0x81).write(0x81, 0x01).write(0x25, 0x02).wait(8).write(0x24, 0x02).wait(8);
  script.write(0x24, 0x00);
  Player player(script, {{'B', 1}});
  player.device.run_until(60'000);
  const auto events = player.witness.of({'B', 1});
  ASSERT_GT(events.size(), 20U);
  EXPECT_EQ(events.front().drive, Drive::kPullUp) << "an input with its latch set, whatever the timer does";
  EXPECT_EQ(events.back().drive, Drive::kPullUp);
}

std::vector<PinEvent> history(Cycle step) {
  Witness witness;
  DeviceParams params = sketch_params();
  params.seed = 5;
  VirtualDevice device(params, test_image("core_sketch", "atmega328p"), witness);
  for (Cycle until = step; until <= 4'000'000; until += step) {
    device.run_until(until);
  }
  return witness.pins;
}

bool same(const std::vector<PinEvent>& a, const std::vector<PinEvent>& b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](const PinEvent& one, const PinEvent& other) {
    return one.at == other.at && one.pin == other.pin && one.drive == other.drive;
  });
}

TEST(Repetition, IsExactHoweverTheRunIsCut) {
  const auto reference = history(4'000'000);
  ASSERT_GT(reference.size(), 1'000U);
  EXPECT_TRUE(same(reference, history(4'000'000)));
  EXPECT_TRUE(same(reference, history(1'000)));
  EXPECT_TRUE(same(reference, history(32))) << "a run cut into steps of a few instructions";
}

/// The simulator's one process-wide logger must not mix up whose firmware crashed.
TEST(Threads, RunIndependentDevicesAndEachHearsItsOwnVerdict) {
  const auto reference = history(4'000'000);
  std::vector<std::thread> threads;
  std::vector<int> good(6, 0);
  for (std::size_t i = 0; i < good.size(); ++i) {
    threads.emplace_back([i, &good, &reference] {
      if (i % 2 == 0) {
        good[i] = same(reference, history(4'000'000)) ? 1 : 0;
        return;
      }
      for (int round = 0; round < 50; ++round) {
        Witness witness;
        VirtualDevice device(sketch_params(), words_image({0x00FF}), witness);
        device.run_until(1'000);
        good[i] += device.crash_reason().find("illegal instruction 0x00ff (PC 0x0000") == 0 ? 1 : 0;
      }
    });
  }
  for (std::thread& thread : threads) {
    thread.join();
  }
  EXPECT_EQ(good, (std::vector<int>{1, 50, 1, 50, 1, 50}));
}

TEST(Creation, RefusesAPartOrAnImageThatCannotBe) {
  Witness witness;
  DeviceParams params;
  params.part = "atmega9999";
  EXPECT_THROW(VirtualDevice(params, words_image({0}), witness), base::BadInput);
  params.part = "atmega328p";
  EXPECT_THROW(VirtualDevice(params, words_image(std::vector<std::uint16_t>(20'000, 0)), witness), base::BadInput);
}

}  // namespace
}  // namespace dawnrig::device
