// Power, resets, the watchdog, sleep, and firmware that does what it must not.
#include <gtest/gtest.h>

#include <chrono>
#include <set>

#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

constexpr int kPowerOn = 1;
constexpr int kExternal = 2;
constexpr int kWatchdog = 8;
constexpr Cycle kWatchdog60Ms = Cycle{8192} * 16'000'000 / 128'000;  // the time-out firmware chose, 64 ms
constexpr Cycle kWatchdog16Ms = Cycle{2048} * 16'000'000 / 128'000;

struct Subject {
  explicit Subject(const std::string& image, DeviceParams given = {}, std::vector<std::uint8_t> eeprom = {},
                   const std::string& part = "atmega328p")
      : device(params(std::move(given), part), with(image, part, std::move(eeprom)), witness) {}
  static DeviceParams params(DeviceParams params, const std::string& part) {
    params.part = part;
    params.watched = {{'B', 0}, {'B', 1}, {'B', 5}};
    return params;
  }
  static Image with(const std::string& name, const std::string& part, std::vector<std::uint8_t> eeprom) {
    Image image = test_image(name, part);
    if (!eeprom.empty()) {
      image.eeprom = std::move(eeprom);
    }
    return image;
  }
  [[nodiscard]] int value(const std::string& symbol) const { return device.peek(device.address_of(symbol).value()); }
  void set(const std::string& symbol, std::uint8_t byte) { device.poke(device.address_of(symbol).value(), byte); }
  Witness witness;
  VirtualDevice device;
};

TEST(PowerOn, WaitsOutTheStartUpDelayWithPinsLetGo) {
  Subject subject("watchdog");
  const Cycle delay = 1'040'000;  // 65 ms at 16 MHz
  subject.device.run_until(delay);
  EXPECT_TRUE(subject.witness.pins.empty()) << "nothing moved before the delay was over";
  EXPECT_EQ(subject.device.drive_of({'B', 0}), Drive::kHighImpedance);
  subject.device.run_until(delay + 2'000);
  ASSERT_FALSE(subject.witness.pins.empty());
  EXPECT_EQ(subject.device.drive_of({'B', 0}), Drive::kHigh);
  EXPECT_EQ(subject.value("cause"), kPowerOn);
  ASSERT_EQ(subject.witness.resets.size(), 1U);
  EXPECT_EQ(subject.witness.resets[0].cause, ResetCause::kPowerOn);
}

TEST(PowerOn, FillsMemoryAndRegistersWithGarbageFromTheSeed) {
  const auto memory = [](std::uint64_t seed) {
    DeviceParams params;
    params.seed = seed;
    const Subject subject("spinner", params);
    std::vector<std::uint8_t> bytes;
    for (std::uint32_t at = 0; at < 0x900; ++at) {
      bytes.push_back(subject.device.peek(at));
    }
    return bytes;
  };
  const auto one = memory(1);
  EXPECT_EQ(one, memory(1));
  EXPECT_NE(one, memory(2));
  EXPECT_GT(std::set<std::uint8_t>(one.begin(), one.begin() + 32).size(), 20U) << "the 32 working registers too";
  EXPECT_GT(std::set<std::uint8_t>(one.begin() + 0x100, one.end()).size(), 250U);
}

TEST(PowerOff, LetsThePinsGoWhileCyclesPass) {
  Subject subject("watchdog");
  subject.device.run_until(2'000'000);
  subject.witness.pins.clear();
  subject.device.power_off();
  EXPECT_EQ(subject.device.drive_of({'B', 0}), Drive::kHighImpedance);
  ASSERT_FALSE(subject.witness.pins.empty());
  EXPECT_EQ(subject.witness.pins[0].at, subject.device.now());
  const std::size_t quiet = subject.witness.pins.size();
  EXPECT_EQ(subject.device.run_until(50'000'000), RunStatus::kRunning);
  EXPECT_EQ(subject.device.now(), 50'000'000);
  EXPECT_EQ(subject.witness.pins.size(), quiet);
  subject.device.power_on();
  subject.device.run_until(52'000'000);
  EXPECT_EQ(subject.value("cause"), kPowerOn) << "power-on clears the marks of earlier causes";
}

TEST(ResetPin, HoldsEverythingAndLeavesItsMark) {
  Subject subject("watchdog");
  subject.device.run_until(2'000'000);
  subject.set("survivor", 0x77);
  subject.device.hold_reset(true);
  EXPECT_EQ(subject.device.drive_of({'B', 0}), Drive::kHighImpedance);
  const std::size_t quiet = subject.witness.pins.size();
  subject.device.run_until(3'000'000);
  EXPECT_EQ(subject.witness.pins.size(), quiet) << "no edge of a timer either";
  subject.device.hold_reset(false);
  const Cycle released = subject.device.now();
  subject.device.run_until(released + 2'000);
  EXPECT_EQ(subject.device.drive_of({'B', 0}), Drive::kHigh) << "no start-up delay after an external reset";
  EXPECT_EQ(subject.value("cause"), kExternal);
  EXPECT_EQ(subject.value("survivor"), 0x77) << "memory keeps what it held";
  EXPECT_EQ(subject.value("ddr_at_boot"), 0) << "I/O registers are back at their reset values";
  EXPECT_GT(subject.device.now(), released) << "the cycle count goes on";
}

TEST(Watchdog, ResetsAFirmwareThatHangsAndStaysOnAtItsShortestTime) {
  Subject subject("watchdog");
  subject.device.run_until(20'000'000);
  EXPECT_EQ(subject.witness.resets.size(), 1U) << "fed in time, it never bites";
  subject.set("hang", 1);
  const Cycle hung = subject.device.now();
  subject.device.run_until(hung + kWatchdog60Ms + 1'000);
  ASSERT_EQ(subject.witness.resets.size(), 2U);
  EXPECT_EQ(subject.witness.resets[1].cause, ResetCause::kWatchdog);
  EXPECT_NEAR(static_cast<double>(subject.witness.resets[1].at - hung), static_cast<double>(kWatchdog60Ms), 100.0);
  EXPECT_EQ(subject.value("cause"), kWatchdog);
  EXPECT_EQ(subject.value("watchdog_on_at_boot") & 0x2F, 0x08) << "enabled, prescaler zero: 16 ms";
  EXPECT_EQ(subject.value("ddr_at_boot"), 0);
}

TEST(Watchdog, BitesAgainAfter16MsIfFirmwareDoesNotTakeItInHand) {
  // wdt on at 16 ms, then spin: after the first bite the reset routine starts over; here it only spins.
  Image image = words_image({0xE008, 0xE118, 0x9310, 0x0060, 0x9300, 0x0060, 0xCFFF});
  Witness witness;
  DeviceParams params;
  params.startup_delay_s = 0;
  VirtualDevice device(params, image, witness);
  device.run_until(4 * kWatchdog16Ms);
  ASSERT_GE(witness.resets.size(), 3U);
  for (std::size_t i = 2; i < witness.resets.size(); ++i) {
    EXPECT_NEAR(static_cast<double>(witness.resets[i].at - witness.resets[i - 1].at),
                static_cast<double>(kWatchdog16Ms), 50.0);
  }
}

TEST(ResetMarks, AddUpUntilPowerOn) {
  Subject subject("watchdog");
  subject.device.run_until(2'000'000);
  subject.device.hold_reset(true);
  subject.device.hold_reset(false);
  subject.device.run_until(2'010'000);
  subject.set("hang", 1);
  subject.device.run_until(2'020'000 + kWatchdog60Ms);
  EXPECT_EQ(subject.value("cause"), kExternal | kWatchdog);
  subject.device.power_off();
  subject.device.power_on();
  subject.device.run_until(subject.device.now() + 1'100'000);
  EXPECT_EQ(subject.value("cause"), kPowerOn);
}

TEST(StalledCpu, LeavesPeripheralsRunningUntilTheWatchdogBites) {
  Subject subject("watchdog");
  subject.device.run_until(2'000'000);
  subject.device.stall();
  const std::size_t before = subject.witness.of({'B', 1}).size();
  subject.device.run_until(2'000'000 + 500'000);
  EXPECT_GT(subject.witness.of({'B', 1}).size(), before + 1'900) << "the PWM runs on";
  subject.device.run_until(2'000'000 + kWatchdog60Ms + 5'000);
  ASSERT_EQ(subject.witness.resets.size(), 2U) << "nobody fed the watchdog";
  EXPECT_EQ(subject.value("cause"), kWatchdog);
}

TEST(StalledCpu, ExecutesNothingUntilAReset) {
  Subject subject("sleeper");
  subject.device.run_until(2'000'000);
  subject.device.stall();
  const int before = subject.value("ticks");
  subject.device.run_until(4'000'000);
  EXPECT_EQ(subject.value("ticks"), before);
  subject.device.hold_reset(true);
  subject.device.hold_reset(false);
  subject.device.run_until(4'170'000);
  EXPECT_EQ(subject.value("ticks"), 10);
}

TEST(Sleep, JumpsToTheNextEventAndWakesOnTheCycle) {
  Subject subject("sleeper");
  const auto from = std::chrono::steady_clock::now();
  subject.device.run_until(Cycle{16'000'000} * 120);
  const double took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - from).count();
  EXPECT_LT(took_s, 6.0) << "two minutes asleep must not take their time on the wall clock";
  const auto toggles = subject.witness.of({'B', 5});
  ASSERT_GT(toggles.size(), 119'000U);
  for (std::size_t k = 2; k < toggles.size(); ++k) {
    ASSERT_EQ(toggles[k].at - toggles[k - 1].at, 16'000) << "tick " << k;
  }
}

/// With the I/O clock stopped in the deeper modes, a PWM that nobody drives in software stands still.
TEST(Sleep, StopsThePwmInDeeperModesOnly) {
  for (const auto& [mode, runs] : {std::pair<std::uint8_t, bool>{0, true}, {1 << 1, false}, {2 << 1, false}}) {
    Subject subject("deep_sleeper", {}, {mode});
    subject.device.run_until(5'000'000);
    const std::size_t before = subject.witness.of({'B', 1}).size();
    const int wakes_before = subject.value("wakes");
    subject.device.run_until(5'000'000 + 1'600'000);
    const std::size_t edges = subject.witness.of({'B', 1}).size() - before;
    EXPECT_GE(subject.value("wakes") - wakes_before, 5) << "the watchdog wakes it in mode " << int{mode};
    EXPECT_NEAR(static_cast<double>(edges), runs ? 3'200.0 : 0.0, 4.0) << "mode " << int{mode};
    EXPECT_EQ(subject.witness.samples.size() > 3, mode == 1 << 1) << "noise reduction mode starts a conversion";
  }
}

struct Fault {
  const char* name;
  std::vector<std::uint16_t> words;
  const char* says;
};

// Megabytes behind the end of flash, by a return to an address that nobody called from.
TEST(Crash, IsAVerdictTooWhereAReturnLeadsFarBehindFlash) {
  for (const bool skips_over_long : {false, true}) {
    // LDI r16,255; PUSH r16 three times; RET; and what the simulator takes for a skip over two words.
    std::vector<std::uint16_t> words = {0xEF0F, 0x930F, 0x930F, 0x930F, 0x9508};
    if (skips_over_long) words.insert(words.end(), {0xFD00, 0x962C});
    DeviceParams params;
    params.part = "atmega2560";
    params.startup_delay_s = 0;
    BothWays both(params, words_image(words));
    for (VirtualDevice* device : {&both.ours, &both.simulators}) {
      EXPECT_EQ(device->run_until(100'000), RunStatus::kCrashed);
      EXPECT_NE(device->crash_reason().find("ran off the end of flash"), std::string::npos) << device->crash_reason();
    }
  }
}

TEST(Crash, IsAVerdictInPlainWordsAndLetsThePinsGo) {
  const std::vector<Fault> faults = {
      {"illegal instruction", {0x9A20, 0x00FF}, "illegal instruction 0x00ff (PC 0x0002"},
      {"runs off flash", {0x9A20, 0x940C, 0x3FFF}, "ran off the end of flash"},
      {"write beyond memory", {0x9A20, 0x9300, 0xF000}, "wrote to address 0xf000, beyond the end of memory"},
      {"read beyond memory", {0x9A20, 0x9100, 0x0900}, "read from address 0x0900, beyond the end of memory"},
      {"endless recursion", {0x9A20, 0xDFFF}, "stack grew below the start of memory at 0x0100"},
      {"sleep without interrupts", {0x9A20, 0xE001, 0xBF03, 0x9588}, "went to sleep with interrupts disabled"},
  };
  for (const Fault& fault : faults) {
    SCOPED_TRACE(fault.name);
    Witness witness;
    DeviceParams params;
    params.startup_delay_s = 0;
    params.watched = {{'B', 0}};
    VirtualDevice device(params, words_image(fault.words), witness);
    EXPECT_EQ(device.run_until(100'000), RunStatus::kCrashed);
    EXPECT_NE(device.crash_reason().find(fault.says), std::string::npos) << device.crash_reason();
    EXPECT_NE(device.crash_reason().find("cycle "), std::string::npos);
    EXPECT_EQ(device.now(), 100'000);
    ASSERT_EQ(witness.pins.size(), 2U) << "driven low by the first instruction, let go by the crash";
    EXPECT_EQ(witness.pins[1].drive, Drive::kHighImpedance);
    EXPECT_EQ(device.crashed_at(), witness.pins[1].at);
    EXPECT_EQ(device.run_until(200'000), RunStatus::kCrashed);
    device.power_off();
    device.power_on();
    EXPECT_EQ(device.crash_reason(), "") << "power-cycling starts it over";
  }
}

TEST(Crash, SparesASleeperWhoseWatchdogWillEndIt) {
  // cli; wdt on; sleep: the classical way to restart.
  Image image = words_image({0xE008, 0xE118, 0x9310, 0x0060, 0x9300, 0x0060, 0xE001, 0xBF03, 0x94F8, 0x9588, 0xCFFF});
  Witness witness;
  DeviceParams params;
  params.startup_delay_s = 0;
  VirtualDevice device(params, image, witness);
  EXPECT_EQ(device.run_until(2 * kWatchdog16Ms), RunStatus::kRunning) << device.crash_reason();
  EXPECT_GE(witness.resets.size(), 2U);
}

TEST(Interrupts, LetOneInstructionPassAfterTheyAreEnabled) {
  // A match pending, then: sei, inc r20, inc r21, cli. The routine runs between the two.
  Image image = words_image(std::vector<std::uint16_t>(64, 0x0000));
  const auto put = [&image](std::size_t word, std::uint16_t value) {
    image.flash[2 * word] = static_cast<std::uint8_t>(value & 0xFF);
    image.flash[2 * word + 1] = static_cast<std::uint8_t>(value >> 8);
  };
  put(0, 0x940C);  // jmp to the body
  put(1, 0x0020);
  put(0x16, 0x2F64);  // compare match A of timer 1: mov r22, r20
  put(0x17, 0x2F75);  // mov r23, r21
  put(0x18, 0xCFFF);  // stay here: the flag rises again at once
  const std::vector<std::uint16_t> body = {
      0xE040, 0xE050, 0xE002, 0x9300, 0x006F,  // r20 = r21 = 0; TIMSK1 = compare A
      0xE009, 0x9300, 0x0081, 0xE000, 0x0000,  // timer 1 to OCR1A = 0: matches at once
      0x0000, 0x0000, 0x0000, 0x9478, 0x9543, 0x9553, 0x94F8, 0xCFFF};
  for (std::size_t i = 0; i < body.size(); ++i) {
    put(0x20 + i, body[i]);
  }
  Witness witness;
  DeviceParams params;
  params.startup_delay_s = 0;
  VirtualDevice device(params, image, witness);
  ASSERT_EQ(device.run_until(200), RunStatus::kRunning) << device.crash_reason();
  EXPECT_EQ(device.peek(22), 1) << "the instruction after sei had run";
  EXPECT_EQ(device.peek(23), 0) << "the one after that had not";
}

/// Timer 1 toggles PB1 at its match; the routine's first instruction sets PB5. The simulator itself takes no time to
/// enter a routine; silicon takes four cycles, and four more out of sleep.
TEST(Interrupts, TakeTheirResponseTimeAwakeAndAsleep) {
  for (const bool asleep : {false, true}) {
    Image image = words_image(std::vector<std::uint16_t>(64, 0x0000));
    const auto put = [&image](std::size_t word, std::uint16_t value) {
      image.flash[2 * word] = static_cast<std::uint8_t>(value & 0xFF);
      image.flash[2 * word + 1] = static_cast<std::uint8_t>(value >> 8);
    };
    put(0, 0x940C);
    put(1, 0x0020);
    put(0x16, 0x9A2D);  // compare match A of timer 1: sbi PORTB, 5
    put(0x17, 0xCFFF);
    const std::vector<std::uint16_t> body = {0xEF0F,
                                             0xB904,
                                             0xE002,
                                             0x9300,
                                             0x006F,  // DDRB = 0xFF; TIMSK1 = compare A
                                             0xEC08,
                                             0x9300,
                                             0x0088,  // OCR1A = 200
                                             0xE400,
                                             0x9300,
                                             0x0080,  // toggle on match
                                             0xE001,
                                             0xBF03,  // sleep enabled, idle
                                             0xE009,
                                             0x9300,
                                             0x0081,
                                             0x9478,  // start; sei
                                             static_cast<std::uint16_t>(asleep ? 0x9588 : 0x0000),
                                             0xCFFF};
    for (std::size_t i = 0; i < body.size(); ++i) {
      put(0x20 + i, body[i]);
    }
    Witness witness;
    DeviceParams params;
    params.startup_delay_s = 0;
    params.watched = {{'B', 1}, {'B', 5}};
    VirtualDevice device(params, image, witness);
    ASSERT_EQ(device.run_until(350), RunStatus::kRunning) << device.crash_reason();
    const auto match = witness.of({'B', 1});
    const auto answer = witness.of({'B', 5});
    ASSERT_EQ(match.size(), 2U);
    ASSERT_EQ(answer.size(), 2U);
    const Cycle took = answer[1].at - match[1].at;
    EXPECT_GE(took, asleep ? 8 : 4);
    EXPECT_LE(took, asleep ? 8 : 5) << "awake it may have to finish a two-cycle instruction first";
  }
}

// INT0 in power-down; its pin moves while time stands still. The routine keeps what the instruction behind the sleep
// makes of r20, and the main program then reads a timer, which stood still with the I/O clock.
TEST(Sleep, IsLeftThroughTheRoutineByAPinThatMovesBetweenTwoRuns) {
  const auto to = [](unsigned address) {
    return std::vector<std::uint16_t>{0x940C, static_cast<std::uint16_t>(address)};
  };
  std::vector<std::uint16_t> words(64, 0);
  const auto place = [&words](std::size_t at, const std::vector<std::uint16_t>& more) {
    words.resize(std::max(words.size(), at + more.size()), 0);
    std::copy(more.begin(), more.end(), words.begin() + static_cast<std::ptrdiff_t>(at));
  };
  place(0, to(100));
  place(2, to(70));
  place(70, {0x9340, 0x0301 /* sts 0x301, r20 */, 0x9518});
  place(100, {0xE002, 0x9300, 0x0081,          // timer 1, clock over 8
              0xE003, 0x9300, 0x0069,          // INT0 at the rising edge
              0xE001, 0xBB0D,                  // enabled
              0xE005, 0xBF03,                  // power-down
              0xE545, 0x9478, 0x9588, 0xE041,  // ldi r20, 0x55; sei; sleep; ldi r20, 1
              0x9160, 0x0084, 0x9360, 0x0302, 0x9160, 0x0085, 0x9360, 0x0303, 0xCFF7});
  for (const bool skips : {true, false}) {
    DeviceParams params;
    params.startup_delay_s = 0;
    params.skip_idle = skips;
    Witness witness;
    VirtualDevice device(params, words_image(words), witness);
    device.set_pin_level(Pin{'D', 2}, false);
    device.run_until(10'000);
    device.set_pin_level(Pin{'D', 2}, true);
    device.run_until(20'000);
    EXPECT_EQ(device.peek(0x301), 0x55) << "the routine comes first";
    const int count = device.peek(0x302) | device.peek(0x303) << 8;
    EXPECT_NEAR(count, 10'000 / 8, 10) << "awake again, its clock runs";
  }
}

}  // namespace
}  // namespace dawnrig::device
