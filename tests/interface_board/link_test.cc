// The line to the host, as the board's own interrupts and pages take it: noise, gaps, repeats, floods; and the device's
// line that is passed through it.
#include <gtest/gtest.h>

#include <string>

#include "tests/interface_board/board_bench.h"
#include "tests/interface_board/wire_codec.h"

namespace dawnrig::interface_board {
namespace {

struct Talking {
  explicit Talking(std::uint32_t device_baud = 38'400) {
    board.run_for(5 * kMs);
    proto::Configure configure = BoardBench::usual_configuration();
    configure.set_device_baud(device_baud);
    board.configure(configure);
  }
  void tick(std::uint32_t sequence, const std::string& for_device = "") {
    proto::Tick tick;
    tick.set_sequence(sequence);
    tick.set_lines(proto::LINE_SUPPLY | proto::LINE_SERIAL);
    tick.set_device_serial(for_device);
    board.send(tick);
    board.run_for(kMs);
  }
  proto::Health health() {
    board.answers.clear();
    board.ask(proto::Ask::HEALTH);
    board.run_for(4 * kMs);
    EXPECT_EQ(board.answers.size(), 1U);
    return board.answers.empty() ? proto::Health() : board.answers[0].message.health();
  }
  BoardBench board;
};

TEST(BoardLink, ReportsAThousandTimesASecondWithoutBeingAsked) {
  BoardBench board;
  board.run_for(1000 * kMs);
  ASSERT_GT(board.reports.size(), 995U);
  for (std::size_t i = 1; i < board.reports.size(); ++i) {
    const auto& before = board.reports[i - 1].message.report();
    const auto& after = board.reports[i].message.report();
    ASSERT_EQ((before.sequence() + 1) & 0xFFFF, after.sequence()) << "report " << i;
    ASSERT_NEAR(after.at_ticks() - before.at_ticks(), 2000.0, 60.0) << "report " << i;
  }
  EXPECT_EQ(board.broken(), 0);
}

TEST(BoardLink, NamesItselfAndBothVersions) {
  Talking talk;
  talk.board.answers.clear();
  talk.board.ask(proto::Ask::IDENTITY);
  talk.board.run_for(4 * kMs);
  ASSERT_EQ(talk.board.answers.size(), 1U);
  const auto& identity = talk.board.answers[0].message.identity();
  EXPECT_EQ(identity.link_version(), static_cast<std::uint32_t>(proto::BOARD_LINK_VERSION));
  EXPECT_EQ(identity.firmware_version(), 10'000U);
  EXPECT_EQ(identity.reset_cause(), 1U) << "power-up";
  EXPECT_EQ(identity.serial_number(), 0U) << "none was stored";
  EXPECT_FALSE(identity.calibration_valid());
}

TEST(BoardLink, DropsRepeatedAndOlderTicksAndCountsGaps) {
  Talking talk;
  for (const std::uint32_t sequence : {65'534U, 65'535U, 0U, 1U, 1U, 0U, 65'530U, 2U, 6U}) {
    talk.tick(sequence);
  }
  talk.board.run_for(2 * kMs);
  EXPECT_EQ(talk.board.last_report().host_sequence(), 6U);
  const proto::Health health = talk.health();
  EXPECT_EQ(health.ticks_repeated(), 3U);
  EXPECT_EQ(health.ticks_missing(), 3U);
}

TEST(BoardLink, RefusesWholeFramesThatMeanNothing) {
  Talking talk;
  proto::Tick tick;
  tick.set_sequence(70'000);
  talk.board.send(tick);
  tick.set_sequence(1);
  tick.set_lines(64);
  talk.board.send(tick);
  tick.set_lines(0);
  tick.add_level_lsb(1);
  talk.board.send(tick);
  talk.board.send(proto::ToBoard());
  proto::ToBoard odd;
  odd.mutable_ask()->set_question(static_cast<proto::Ask::Question>(17));
  talk.board.send(odd);
  talk.board.run_for(5 * kMs);
  const proto::Health health = talk.health();
  EXPECT_EQ(health.messages_refused(), 5U - 1U) << "an empty message has no bytes, and is no frame";
  EXPECT_EQ(health.frames_broken(), 1U);
  EXPECT_EQ(talk.board.last_report().host_sequence(), 0U);
}

TEST(BoardLink, TakesEveryFrameOfABurst) {
  Talking talk;
  for (std::uint32_t i = 1; i <= 40; ++i) {  // without a pause: 15 ms of line time
    proto::Tick tick = BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8});
    tick.set_sequence(i);
    tick.set_hold_from_ticks(talk.board.ticks_at(talk.board.processor().now()));
    talk.board.send(tick);
  }
  talk.board.run_for(25 * kMs);
  EXPECT_EQ(talk.board.last_report().host_sequence(), 40U);
  const proto::Health health = talk.health();
  EXPECT_EQ(health.frames_broken(), 0U);
  EXPECT_EQ(health.ticks_missing(), 0U);
  EXPECT_EQ(health.bytes_lost(), 0U);
}

/// The board's interrupt and pages, on a line full of noise: every whole frame is taken, and reports go on.
TEST(BoardLink, FindsEveryWholeFrameInNoise) {
  Dice dice(31);
  Talking talk;
  std::uint32_t sequence = 0;
  for (int i = 0; i < 400; ++i) {
    std::string noise = dice.bytes(dice.below(dice.one_in(8) ? 700 : 60));
    noise += '\0';
    talk.board.send_raw({reinterpret_cast<const std::uint8_t*>(noise.data()), noise.size()});
    talk.board.run_for(static_cast<Cycle>(noise.size()) * 160);
    talk.tick(++sequence);
    talk.board.run_for(kMs + kMs / 2);
    ASSERT_EQ(talk.board.last_report().host_sequence(), sequence) << "after " << noise.size() << " bytes of noise";
  }
  EXPECT_EQ(talk.board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
  const proto::Health health = talk.health();
  EXPECT_GT(health.frames_broken(), 400U);
  EXPECT_EQ(health.bytes_lost(), 0U);
  EXPECT_EQ(health.ticks_missing(), 0U);
}

TEST(BoardLink, ALineThatSaysNothingButZerosOrOnesHarmsNothing) {
  for (const std::uint8_t byte : {std::uint8_t{0}, std::uint8_t{0xFF}, std::uint8_t{1}}) {
    Talking talk;
    const std::vector<std::uint8_t> flood(100, byte);
    for (int i = 0; i < 50; ++i) {
      talk.board.send_raw(flood);
      talk.board.run_for(kMs);
    }
    talk.board.send_raw(std::vector<std::uint8_t>{0});
    talk.tick(77);
    talk.board.run_for(2 * kMs);
    EXPECT_EQ(talk.board.last_report().host_sequence(), 77U) << "after a flood of " << int{byte};
    EXPECT_EQ(talk.board.processor().serial_overruns(), 0);
  }
}

/// Two bytes each, while the self-test keeps the board from looking: they must not run over what it looks at next.
TEST(BoardLink, AFloodOfTinyFramesIsCountedAndHarmsNothing) {
  Talking talk;
  constexpr int kFrames = 400;
  std::vector<std::uint8_t> flood;
  for (int i = 0; i < kFrames; ++i) {
    flood.push_back(static_cast<std::uint8_t>(1 + i % 200));
    flood.push_back(0);
  }
  talk.board.ask(proto::Ask::SAFE);
  talk.board.ask(proto::Ask::SELF_TEST);
  talk.board.run_for(2 * kMs);
  talk.board.send_raw(flood);
  talk.board.run_for(12 * kMs);
  talk.tick(5);
  talk.board.run_for(2 * kMs);
  EXPECT_EQ(talk.board.last_report().host_sequence(), 5U);
  EXPECT_EQ(talk.health().frames_broken(), static_cast<std::uint32_t>(kFrames));
}

TEST(DeviceLine, IsPassedThroughBothWaysAtEveryRate) {
  for (const std::uint32_t baud : {1200U, 2400U, 4800U, 9600U, 19'200U, 38'400U, 57'600U, 115'200U}) {
    Talking talk(baud);
    const std::string there = "set charge 28.8\r\n";
    const std::string back = "V=26.42 I=4.98\r\n";
    talk.board.reports.clear();
    talk.tick(talk.board.next_sequence(), there);
    proto::Tick on;
    on.set_lines(proto::LINE_SUPPLY | proto::LINE_SERIAL);
    talk.board.tick_each_ms(on);
    talk.board.processor().send_serial({reinterpret_cast<const std::uint8_t*>(back.data()), back.size()}, 1);
    talk.board.run_for(16'000'000 / baud * 10 * 20);
    talk.board.run_for(3 * kMs);
    EXPECT_EQ(talk.board.from_board_to_device, there) << baud << " baud";
    const auto& at = talk.board.device_bytes_at;
    const double byte_cycles = static_cast<double>(at.back() - at.front()) / static_cast<double>(at.size() - 1);
    EXPECT_NEAR(byte_cycles * baud / 16e7, 1.0, 0.025) << baud << " baud: what a receiver can bear";
    std::string heard;
    for (const Heard& one : talk.board.reports) heard += one.message.report().device_serial();
    EXPECT_EQ(heard, back) << baud << " baud";
  }
}

TEST(DeviceLine, LosesNothingOfALongTextWhileTheGatesSwitch) {
  Talking talk(57'600);
  talk.board.drive_gate(0, Wave{3'200, 1'000, 0});
  talk.board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  Dice dice(32);
  const std::string text = dice.bytes(2'000);
  talk.board.reports.clear();
  talk.board.processor().send_serial({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, 1);
  talk.board.run_for(400 * kMs);
  std::string heard;
  for (const Heard& one : talk.board.reports) {
    heard += one.message.report().device_serial();
    ASSERT_EQ(one.message.report().pins() & proto::PIN_SERIAL_LOST, 0U);
  }
  EXPECT_EQ(heard, text);
  EXPECT_EQ(talk.board.processor().serial_overruns(1), 0);
}

TEST(DeviceLine, SaysWhenBytesForTheDeviceDidNotFit) {
  Talking talk(1200);
  for (std::uint32_t i = 1; i <= 4; ++i) talk.tick(i, std::string(32, 'x'));
  EXPECT_GT(talk.health().serial_bytes_lost(), 60U) << "128 bytes in 4 ms, for a line of 120 bytes a second";
}

TEST(DeviceLine, IsSilentWhileItIsNotConnected) {
  Talking talk;
  proto::Tick tick;
  tick.set_sequence(1);
  tick.set_device_serial("unheard");
  talk.board.send(tick);
  talk.board.run_for(20 * kMs);
  EXPECT_EQ(talk.board.from_board_to_device, "");
}

}  // namespace
}  // namespace dawnrig::interface_board
