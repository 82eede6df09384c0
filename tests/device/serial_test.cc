// The serial line at the programmed rate, in both directions, and what a slow firmware loses.
#include <gtest/gtest.h>

#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

constexpr Cycle kBit = 17 * 8;       // UBRR 16 at double speed: 115200 baud near enough
constexpr Cycle kFrame = 10 * kBit;  // start, eight data, stop

struct Echo {
  explicit Echo(const std::string& part = "atmega328p") : device(params(part), test_image("echo", part), witness) {
    device.run_until(5'000);
  }
  static DeviceParams params(const std::string& part) {
    DeviceParams params;
    params.part = part;
    params.startup_delay_s = 0;
    return params;
  }
  void send(std::size_t count) {
    std::vector<std::uint8_t> bytes;
    for (std::size_t i = 0; i < count; ++i) {
      bytes.push_back(static_cast<std::uint8_t>('a' + i));
    }
    device.send_serial(bytes);
  }
  void set_deaf(bool deaf) { device.poke(device.address_of("deaf").value(), deaf ? 1 : 0); }
  Witness witness;
  VirtualDevice device;
};

TEST(SerialLine, EchoesEveryByteAFrameLaterAndNothingReachesStandardOutput) {
  for (const std::string part : {"atmega328p", "atmega2560"}) {
    testing::internal::CaptureStdout();
    Echo echo(part);
    const Cycle sent_from = echo.device.now();
    echo.send(20);
    echo.device.run_until(sent_from + 30 * kFrame);
    EXPECT_EQ(testing::internal::GetCapturedStdout(), "");
    ASSERT_EQ(echo.witness.text(), "abcdefghijklmnopqrst") << part;
    EXPECT_EQ(echo.device.serial_overruns(), 0);
    for (std::size_t i = 0; i < 20; ++i) {
      const Cycle arrived = sent_from + static_cast<Cycle>(i + 1) * kFrame;
      EXPECT_GT(echo.witness.bytes[i].at, arrived + kFrame) << "byte " << i << " cannot be out before it was in";
      EXPECT_LT(echo.witness.bytes[i].at, arrived + kFrame + 400) << "byte " << i;
    }
  }
}

TEST(SerialLine, CountsWhatSiliconWouldHaveLostBehindTwoBufferedBytesAndOneInTheShifter) {
  Echo echo;
  echo.set_deaf(true);
  echo.device.run_until(10'000);
  echo.send(10);
  echo.device.run_until(10'000 + 12 * kFrame);
  EXPECT_EQ(echo.device.serial_overruns(), 7);
  EXPECT_EQ(echo.witness.text(), "");
  echo.set_deaf(false);
  echo.device.run_until(10'000 + 20 * kFrame);
  EXPECT_EQ(echo.witness.text(), "abj") << "the two oldest and the one that arrived last";
  EXPECT_EQ(echo.device.peek(echo.device.address_of("overrun_seen").value()), 1) << "firmware can know";
}

TEST(SerialLine, AsksForTheNextByteAsLongAsTheBufferIsEmpty) {
  Echo echo;
  echo.send(1);
  echo.device.run_until(50'000);
  EXPECT_EQ(echo.device.peek(echo.device.address_of("empty_entries").value()), 2)
      << "once to send, and at once again, for the byte went straight to the shifter";
}

TEST(SerialLine, SendsBackToBackAtTheProgrammedFormat) {
  struct Format {
    unsigned a, c, bits;
    Cycle bit;
  };
  // 8N1, 8E2, 7N1, and 8N1 without double speed; UBRR 16.
  for (const Format& format : {Format{2, 0x06, 10, 136}, {2, 0x2E, 12, 136}, {2, 0x04, 9, 136}, {0, 0x06, 10, 272}}) {
    Script script;
    script.write(0xC4, 16).write(0xC0, format.a).write(0xC2, format.c).write(0xC1, 0x08);
    for (const char letter : {'x', 'y', 'z'}) {
      script.until_set(0xC0, 0x20).write(0xC6, static_cast<unsigned>(letter));
    }
    Player player(script, {});
    player.device.run_until(60'000);
    ASSERT_EQ(player.witness.text(), "xyz");
    for (std::size_t i = 1; i < 3; ++i) {
      EXPECT_EQ(player.witness.bytes[i].at - player.witness.bytes[i - 1].at, format.bits * format.bit);
    }
  }
}

/// The larger part has three lines more, each at its own rate and heard by its own number.
TEST(SerialLine, FurtherLinesSpeakAndListenByThemselves) {
  constexpr unsigned kBases[] = {0xC8, 0xD0, 0x130};  // UCSRnA; B, C, UBRR at 4, UDR at 6
  for (int uart = 1; uart <= 3; ++uart) {
    const unsigned base = kBases[uart - 1];
    Script script;
    script.write(base + 4, 33).write(base, 0x02).write(base + 2, 0x06).write(base + 1, 0x18);
    script.until_set(base, 0x80).read(base + 6).until_set(base, 0x20).write(base + 6, 'u');
    Player player(script, {}, "atmega2560");
    player.device.run_until(20'000);
    for (int other = 0; other <= 3; ++other) {
      const std::vector<std::uint8_t> bytes{static_cast<std::uint8_t>('0' + other)};
      player.device.send_serial(bytes, other);
    }
    player.device.send_serial(std::vector<std::uint8_t>{'x'}, 4);  // leads nowhere
    player.device.run_until(60'000);
    EXPECT_EQ(player.results(), std::vector<std::uint8_t>{static_cast<std::uint8_t>('0' + uart)});
    ASSERT_EQ(player.witness.other_bytes.size(), 1U) << "line " << uart;
    EXPECT_EQ(player.witness.other_bytes[0].first, uart);
    EXPECT_EQ(player.witness.other_bytes[0].second.byte, 'u');
    EXPECT_EQ(player.witness.text(), "") << "line 0 said nothing";
    EXPECT_EQ(player.device.serial_overruns(uart), 0);
  }
}

TEST(SerialLine, LosesWhatArrivesWhileTheReceiverIsOff) {
  Player player(Script().write(0xC4, 16), {});
  player.device.run_until(10'000);
  const std::vector<std::uint8_t> bytes{1, 2, 3};
  player.device.send_serial(bytes);
  player.device.run_until(100'000);
  EXPECT_EQ(player.device.serial_overruns(), 0) << "not an overrun: nobody listened";
}

/// The simulator's own model raises completion after a fixed time, whatever the clock.
TEST(SpiLine, TakesEightPeriodsOfTheChosenClock) {
  struct Speed {
    unsigned control, status;
    Cycle divider;
  };
  for (const Speed& speed : {Speed{0, 0, 4}, {0, 1, 2}, {1, 0, 16}, {1, 1, 8}, {2, 0, 64}, {3, 0, 128}}) {
    Script script;
    script.write(0x24, 0x01).write(0x4D, speed.status).write(0x4C, 0x50 | speed.control);
    script.write(0x23, 0x01).write(0x4E, 0xA5).until_set(0x4D, 0x80).read(0x4E);
    Player player(script, {{'B', 0}});
    player.device.run_until(20'000);
    ASSERT_EQ(player.witness.spi.size(), 1U);
    EXPECT_EQ(player.witness.spi[0].byte, 0xA5);
    EXPECT_EQ(player.results(), std::vector<std::uint8_t>{0x5A}) << "what came in";
    const Cycle step = player.witness.spi[0].at - player.witness.pins.back().at - 8 * speed.divider;
    EXPECT_GT(step, 20) << "divider " << speed.divider;
    EXPECT_LT(step, 90) << "divider " << speed.divider << ": only the player's own step may remain";
  }
}

/// A display that is not there: nobody pulls the data line down in the ninth clock.
TEST(TwoWireLine, TellsThatNobodyAnsweredInsteadOfHanging) {
  Script script;
  script.write(0xB8, 72).write(0xBC, 0xA4).until_set(0xBC, 0x80).read(0xB9);    // 100 kHz; start
  script.write(0xBB, 0x78).write(0xBC, 0x84).until_set(0xBC, 0x80).read(0xB9);  // address for writing
  script.write(0xBC, 0x94).read(0xBC);                                          // stop
  Player player(script, {});
  player.device.run_until(100'000);
  const std::vector<std::uint8_t> read = player.results();
  ASSERT_EQ(read.size(), 3U) << "the firmware waits for ever";
  EXPECT_EQ(read[0] & 0xF8, 0x08) << "start sent";
  EXPECT_EQ(read[1] & 0xF8, 0x20) << "address sent, not acknowledged";
}

}  // namespace
}  // namespace dawnrig::device
