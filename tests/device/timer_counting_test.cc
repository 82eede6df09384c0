// What firmware sees of a timer: counts, flags, interrupts, captures, and the byte through which words pass.
#include <gtest/gtest.h>

#include <algorithm>

#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

constexpr unsigned kTccr1a = 0x80;
constexpr unsigned kTccr1b = 0x81;
constexpr unsigned kTcnt1 = 0x84;
constexpr unsigned kIcr1 = 0x86;
constexpr unsigned kOcr1a = 0x88;
constexpr unsigned kOcr1b = 0x8A;
constexpr unsigned kTifr1 = 0x36;
constexpr unsigned kTimsk1 = 0x6F;
constexpr unsigned kDdrb = 0x24;
constexpr unsigned kPinb = 0x23;

TEST(Counting, GoesUpAndDownInPhaseCorrectMode) {
  Script script;
  script.write(0xB3, 20).write(0xB0, 0x01).write(0xB1, 0x0C);  // timer 2 to OCR2A = 20, a tick every 64 cycles
  const auto read = static_cast<unsigned>(script.bytes().size() / 4);
  script.read(0xB2).back_to(read);
  Player player(script, {});
  player.device.run_until(20'000);
  const auto values = player.results();
  ASSERT_GT(values.size(), 60U);
  int up = 0;
  int down = 0;
  for (std::size_t i = 1; i < values.size(); ++i) {
    const int step = values[i] - values[i - 1];
    ASSERT_LE(std::abs(step), 3) << "from " << int{values[i - 1]} << " to " << int{values[i]};
    ASSERT_LE(values[i], 20);
    up += step > 0 ? 1 : 0;
    down += step < 0 ? 1 : 0;
  }
  EXPECT_GT(up, 20);
  EXPECT_GT(down, 20);
}

TEST(Counting, RunsFromAPrescalerThatTwoTimersShare) {
  // Both timers toggle on match of the same value at the same prescale; one was started thousands of cycles later, and
  // still every edge of both falls on the same raster.
  Script script;
  script.write(kDdrb, 0xFF).write(0x2A, 0xFF).write(0x47, 9).write(0x44, 0x42).write(0x45, 0x03);
  script.wait(3).write_word(kOcr1a, 9).write(kTccr1a, 0x40).write(kTccr1b, 0x0B);
  Player player(script, {{'D', 6}, {'B', 1}});
  player.device.run_until(200'000);
  const auto early = player.witness.of({'D', 6});
  const auto late = player.witness.of({'B', 1});
  ASSERT_GT(early.size(), 20U);
  ASSERT_GT(late.size(), 20U);
  for (const auto& edges : {early, late}) {
    for (std::size_t k = 2; k < edges.size(); ++k) {
      ASSERT_EQ(edges[k].at % 64, 0) << "edge at " << edges[k].at;
    }
  }
}

TEST(Counting, StartsInStepAfterThePrescalersWereHeld) {
  Script script;
  script.write(kDdrb, 0xFF).write(0x2A, 0xFF).write(0x43, 0x83);  // hold and reset
  script.write(0x47, 9).write(0x44, 0x42).write(0x45, 0x03);
  script.write_word(kOcr1a, 9).write(kTccr1a, 0x40).write(kTccr1b, 0x0B).wait(2).write(0x43, 0x00);
  Player player(script, {{'D', 6}, {'B', 1}});
  player.device.run_until(200'000);
  const auto first = player.witness.of({'D', 6});
  const auto second = player.witness.of({'B', 1});
  ASSERT_GT(first.size(), 20U);
  for (std::size_t k = 1; k < std::min(first.size(), second.size()); ++k) {
    ASSERT_EQ(first[k].at, second[k].at) << "edge " << k;
  }
}

TEST(Flags, RiseWithoutAnInterruptForFirmwareThatPolls) {
  Script script;
  script.write(kDdrb, 0x20).write_word(kOcr1a, 9999).write(kTccr1b, 0x09);
  const auto poll = static_cast<unsigned>(script.bytes().size() / 4);
  script.until_set(kTifr1, 0x02).write(kTifr1, 0x02).write(kPinb, 0x20).back_to(poll);
  Player player(script, {{'B', 5}});
  player.device.run_until(1'000'000);
  const auto toggles = player.witness.of({'B', 5});
  ASSERT_GT(toggles.size(), 90U);
  for (std::size_t k = 2; k < toggles.size(); ++k) {
    const Cycle period = toggles[k].at - toggles[k - 1].at;
    ASSERT_NEAR(static_cast<double>(period), 10'000.0, 30.0) << "poll " << k;  // the polling loop is coarse
  }
}

TEST(Flags, RaiseAnInterruptTheMomentItIsEnabledIfTheyAlreadyStand) {
  Script script;
  script.write_word(kOcr1a, 100).write(kTccr1b, 0x09).enable_interrupts().wait(4).write(kTccr1b, 0);
  script.write(kTimsk1, 0x02).wait(1);
  Player player(script, {});
  player.device.run_until(100'000);
  EXPECT_EQ(player.entries(1), 1) << "one match stood when the interrupt was enabled, and the clock had stopped";
}

TEST(Flags, AreCountedByTheOverflowRoutineInEveryKindOfMode) {
  struct Case {
    unsigned control_a, control_b;
    Cycle period;
  };
  for (const Case& one : {Case{0, 0x01, 65536}, Case{0x01, 0x01, 510}, Case{0x01, 0x09, 256}, Case{0, 0x11, 1600}}) {
    Script script;
    script.write_word(kIcr1, 800).write(kTccr1a, one.control_a).write(kTimsk1, 0x01).enable_interrupts();
    script.write(kTccr1b, one.control_b).sleep();
    Player player(script, {});
    player.device.run_until(200'000);
    const int before = player.entries(0);
    const Cycle from = player.device.now();
    player.device.run_until(from + 100 * one.period);
    EXPECT_EQ(player.entries(0) - before, 100) << "period " << one.period;
  }
}

TEST(Flags, RiseBetweenTheInterruptsOfAnotherChannelAndWithThem) {
  constexpr Cycle kPeriod = 16'000;
  for (const unsigned other : {0U, 5'000U, 15'998U, 15'999U}) {
    Script script;
    script.write_word(kOcr1a, 15'999).write_word(kOcr1b, other).write(kTimsk1, 0x02).enable_interrupts();
    script.write(kTccr1b, 0x09);  // to OCR1A
    const auto loop = static_cast<unsigned>(script.bytes().size() / 4);
    script.until_set(kTifr1, 0x04).write(kTifr1, 0x04).read(kTifr1).back_to(loop);
    Player player(script, {});
    player.device.run_until(100 * kPeriod);
    EXPECT_NEAR(player.entries(1), 100, 1) << "interrupts of channel A, with B at " << other;
    EXPECT_NEAR(static_cast<double>(player.results().size()), 100, 1) << "flags of channel B at " << other;
  }
}

TEST(Flags, OfAMatchRiseTwiceInAPhaseCorrectPeriod) {
  Script script;
  script.write_word(kOcr1a, 100).write(kTccr1a, 0x01).write(kTimsk1, 0x02).enable_interrupts();
  script.write(kTccr1b, 0x02).sleep();  // up to 255 and down, a tick every 8 cycles
  Player player(script, {});
  player.device.run_until(100'000);
  const int before = player.entries(1);
  player.device.run_until(100'000 + Cycle{100 * 510 * 8});
  EXPECT_EQ(player.entries(1) - before, 200);
}

TEST(Flags, OfOverflowStandAtTheMiddleOfAPhaseCorrectPulse) {
  // The converter is started by the overflow flag: it samples two of its clocks after the flag.
  Script script;
  script.write(kDdrb, 0x02).write_word(kOcr1a, 64).write(kTccr1a, 0x81);
  script.write(0x7B, 0x06).write(0x7C, 0x40).write(0x7A, 0xA2).write(kTimsk1, 0x01).enable_interrupts();
  script.write(kTccr1b, 0x03).sleep();
  Player player(script, {{'B', 1}});
  player.device.run_until(400'000);
  ASSERT_GT(player.witness.samples.size(), 6U);
  const auto edges = player.witness.of({'B', 1});
  for (std::size_t i = 3; i + 1 < player.witness.samples.size(); ++i) {
    const Cycle overflow = player.witness.samples[i].at - 2 * 4;
    const auto fall = std::find_if(edges.begin(), edges.end(), [overflow](const PinEvent& edge) {
      return edge.drive == Drive::kLow && edge.at > overflow;
    });
    ASSERT_NE(fall, edges.end());
    EXPECT_EQ(fall->at - overflow, 64 * 64) << "sample " << i;
    EXPECT_EQ(overflow - (fall - 1)->at, 64 * 64) << "sample " << i;
  }
}

TEST(Flags, StartAConverterThatIsToldToWaitForThemWhileTheTimerRunsAlready) {
  Script script;
  script.write(kTccr1a, 0x01).write(kTccr1b, 0x03);  // phase correct, 510 counts of 64 cycles; no interrupt of its own
  script.wait(4).write(kTifr1, 0x01).write(0x7B, 0x06).write(0x7C, 0x40).write(0x7A, 0xA2);
  Player player(script, {});
  player.device.run_until(100'000);
  ASSERT_EQ(player.witness.samples.size(), 1U) << "its flag stands from then on, and rises no more";
  EXPECT_NEAR(static_cast<double>(player.witness.samples[0].at), 510 * 64, 2'000.0);
}

TEST(WordAccess, PassesThroughOneByteThatIsSharedByTheTimersRegisters) {
  // Writing a second register's high byte in between, as an interrupt routine would, spoils the first word.
  Script script;
  script.write(kOcr1a + 1, 0x12).write(kOcr1b + 1, 0x55).write(kOcr1a, 0x34).read(kOcr1a + 1).read(kOcr1a);
  Player player(script, {});
  player.device.run_until(20'000);
  EXPECT_EQ(player.results(), (std::vector<std::uint8_t>{0x55, 0x34}));
}

TEST(WordAccess, LatchesTheHighByteOfTheCountWithTheLowOne) {
  Script script;
  script.write_word(kTcnt1, 0x01F0).write(kTccr1b, 0x01).read(kTcnt1).wait(4).read(kTcnt1 + 1);
  Player player(script, {});
  player.device.run_until(60'000);
  const auto values = player.results();
  ASSERT_EQ(values.size(), 2U);
  EXPECT_LE(values[1], 0x02) << "the high byte belongs to the instant of the low byte, not to a thousand cycles later";
}

/// The interface board measures the gate with input capture.
TEST(InputCapture, MeasuresAPulseToTheCycle) {
  for (const auto& [part, pin] : {std::pair{std::string("atmega328p"), Pin{'B', 0}}, {"atmega2560", Pin{'D', 4}}}) {
    Script script;
    script.write(kTccr1b, 0x41);  // rising edges, every cycle
    Player player(script, {}, part);
    player.device.run_until(10'000);
    const auto captured = [&player] { return player.device.peek(kIcr1) | (player.device.peek(kIcr1 + 1) << 8); };
    player.device.set_pin_level(pin, false);
    player.device.set_pin_level(pin, true);
    const int first = captured();
    const Cycle from = player.device.now();
    player.device.run_until(from + 4112);
    player.device.set_pin_level(pin, false);
    EXPECT_EQ(captured(), first) << "a falling edge is not asked for";
    player.device.set_pin_level(pin, true);
    EXPECT_EQ((captured() - first) & 0xFFFF, player.device.now() - from) << part;
  }
}

/// Two units on one pin, one for each edge, measure pulses that no single unit could: their counters must run in step.
TEST(InputCapture, UnitsOfTimersThatWereReleasedTogetherAgree) {
  constexpr unsigned kGtccr = 0x43, kControl4 = 0xA1, kControl5 = 0x121, kControl1 = 0x81, kControl3 = 0x91;
  Script script;
  script.write(kGtccr, 0x81);  // the prescaler stands
  script.write(kControl4, 0x42).write(kControl5, 0x02).write(kControl1, 0x42).write(kControl3, 0x02);
  for (const unsigned count : {0xA4U, 0x124U, 0x84U, 0x94U}) script.write_word(count, 0);
  script.write(kGtccr, 0);
  Player player(script, {}, "atmega2560");
  player.device.run_until(40'000);
  const struct {
    Pin up, down;
    unsigned up_at, down_at;
  } gates[] = {{{'L', 0}, {'L', 1}, 0xA6, 0x126}, {{'D', 4}, {'E', 7}, 0x86, 0x96}};
  const auto word = [&player](unsigned at) { return player.device.peek(at) | (player.device.peek(at + 1) << 8); };
  for (const auto& gate : gates) {
    for (const Cycle width : {16, 24, 160, 4'112, 80'000}) {
      for (const bool level : {true, false}) {
        player.device.set_pin_level(gate.up, level);
        player.device.set_pin_level(gate.down, level);
        player.device.run_until(player.device.now() + width);
      }
      EXPECT_NEAR((word(gate.down_at) - word(gate.up_at)) & 0xFFFF, static_cast<double>(width) / 8.0, 1.0)
          << gate.up.port << gate.up.bit << ", " << width << " cycles";
    }
  }
}

TEST(CounterInput, CountsEdgesOfItsPin) {
  Script script;
  script.write(kDdrb, 0x02).write_word(kOcr1a, 4).write(kTccr1a, 0x40).write(kTccr1b, 0x0F);
  Player player(script, {{'B', 1}});
  player.device.run_until(10'000);
  int edges = 0;
  for (; edges < 100 && player.witness.of({'B', 1}).size() < 3; ++edges) {
    player.device.set_pin_level({'D', 5}, true);
    player.device.set_pin_level({'D', 5}, false);
  }
  EXPECT_EQ(edges, 10) << "low at first, toggled after five edges and again after ten";
}

TEST(CounterWrite, BlocksTheMatchOfTheNextTick) {
  Script script;
  script.write(kDdrb, 0x02).write_word(kOcr1a, 300).write(kTccr1a, 0x40).write(kTccr1b, 0x05);  // a tick every 1024
  script.write_word(kTcnt1, 300);
  Player player(script, {{'B', 1}});
  player.device.run_until(40'000);
  EXPECT_EQ(player.witness.of({'B', 1}).size(), 1U) << "no toggle: the counter was put onto the compare value";
}

}  // namespace
}  // namespace dawnrig::device
