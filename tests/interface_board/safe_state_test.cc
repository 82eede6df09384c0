// The board is the last line: at power-up, when the host is silent, asks for nonsense or dies, and when its own
// firmware hangs.
#include <gtest/gtest.h>

#include <algorithm>
#include <functional>

#include "tests/interface_board/board_bench.h"

namespace dawnrig::interface_board {
namespace {

constexpr double kVoltPerCode = 5.0 / 65535.0;

bool open(BoardBench& board) {
  for (int channel = 0; channel < 4; ++channel) {
    if (board.circuit().sense_v(board.processor().now(), channel).has_value()) {
      return false;
    }
  }
  return true;
}

void start(BoardBench& board, const proto::Configure& configure = BoardBench::usual_configuration()) {
  board.run_for(5 * kMs);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({40'000, 40'000, 40'000, 40'000}, {20'000, 20'000, 20'000, 20'000}));
  board.run_for(30 * kMs);
  ASSERT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
  ASSERT_FALSE(open(board));
  board.reports.clear();
}

TEST(SafeState, FromPowerUpOnEverythingIsOpenUntilTheHostConfigures) {
  BoardBench board;
  bool ever_closed = false;
  board.circuit().on_lines = [&](Cycle) {
    ever_closed = ever_closed || !open(board) || board.circuit().device_supply_v() > 0;
  };
  board.tick_each_ms(BoardBench::levels({9, 9, 9, 9}, {9, 9, 9, 9}));
  board.run_for(300 * kMs);
  EXPECT_FALSE(ever_closed) << "ticks without a configuration move nothing";
  EXPECT_TRUE(open(board));
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_POWER_UP);
  EXPECT_GT(board.reports.size(), 290U) << "but it reports";
}

TEST(SafeState, ComesWithinAHundredMillisecondsOfTheLastFrame) {
  for (const Cycle phase : {0, 3'000, 8'000, 15'000}) {
    BoardBench board;
    start(board);
    board.run_for(phase);
    board.fall_silent();
    const Cycle silent_from = board.processor().now();
    Cycle safe_at = 0;
    while (safe_at == 0 && board.processor().now() < silent_from + 200 * kMs) {
      board.run_for(kMs / 20);
      if (board.circuit().codes()[1] == 52'000) {
        safe_at = board.processor().now();
      }
    }
    ASSERT_NE(safe_at, 0) << "never";
    std::printf("safe %.2f ms after the host fell silent\n", static_cast<double>(safe_at - silent_from) / kMs);
    EXPECT_LE(safe_at - silent_from, 100 * kMs);
    EXPECT_GE(safe_at - silent_from, 95 * kMs) << "not in a hurry: one lost frame is no silence";
    board.run_for(3 * kMs);
    EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_SILENCE);
    // A full battery and no sun, whatever the gate does.
    for (const bool gate : {false, true}) {
      board.circuit().set_gate(0, gate);
      board.run_for(kMs);
      EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), 52'000 * kVoltPerCode, 1e-6);
      EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 1), 3'000 * kVoltPerCode, 1e-6);
    }
  }
}

TEST(SafeState, OpensTheOutputsAndDropsTheLinesIfTheConfigurationSaysSo) {
  BoardBench board;
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_safe_outputs(proto::SAFE_OUTPUTS_OPEN);
  configure.set_safe_lines(proto::LINE_RESET);
  start(board, configure);
  board.fall_silent();
  board.run_for(110 * kMs);
  EXPECT_TRUE(open(board));
  EXPECT_TRUE(board.circuit().reset_pulled());
  EXPECT_LT(board.circuit().device_supply_v(), 0.1);
}

TEST(SafeState, IsLatchedUntilTheHostConfiguresAnew) {
  BoardBench board;
  start(board);
  board.fall_silent();
  board.run_for(150 * kMs);
  board.tick_each_ms(BoardBench::levels({40'000, 1, 1, 1}, {20'000, 1, 1, 1}));
  board.run_for(100 * kMs);
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_SILENCE) << "frames alone do not end it";
  EXPECT_EQ(board.circuit().codes()[0], 52'000);
  board.fall_silent();
  board.configure(BoardBench::usual_configuration());
  board.tick_each_ms(BoardBench::levels({40'000, 1, 1, 1}, {20'000, 1, 1, 1}));
  board.run_for(20 * kMs);
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
  EXPECT_EQ(board.circuit().codes()[0], 20'000);
}

TEST(SafeState, NoiseOnTheLineIsSilence) {
  BoardBench board;
  start(board);
  board.fall_silent();
  const Cycle from = board.processor().now();
  std::uint8_t noise = 1;
  while (board.processor().now() < from + 110 * kMs) {
    std::vector<std::uint8_t> bytes;
    for (int i = 0; i < 20; ++i) {
      noise = static_cast<std::uint8_t>(noise * 167 + 13);
      bytes.push_back(noise);
    }
    board.send_raw(bytes);
    board.run_for(kMs);
  }
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_SILENCE);
}

TEST(SafeState, AFrameWithEachLastChanceKeepsItAway) {
  BoardBench board;
  start(board);
  board.fall_silent();
  for (int i = 0; i < 20; ++i) {
    board.ask(proto::Ask::HEALTH);
    board.run_for(95 * kMs);
  }
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
}

struct Wrong {
  const char* what;
  std::uint32_t field;
  std::function<void(proto::Configure&)> spoil;
};

TEST(SafeState, AWrongConfigurationIsRefusedAsAWholeAndMakesSafeWithinItsFrame) {
  const Wrong wrongs[] = {
      {"another version", 1, [](auto& c) { c.set_link_version(2); }},
      {"no version", 1, [](auto& c) { c.clear_link_version(); }},
      {"no gate", 2, [](auto& c) { c.set_gates_used(0); }},
      {"a third gate", 2, [](auto& c) { c.set_gates_used(5); }},
      {"polarity of an unused gate", 3, [](auto& c) { c.set_gates_active_low(2); }},
      {"an unused gate picks", 4, [](auto& c) { c.set_selecting_gate(2); }},
      {"no gate picks", 4, [](auto& c) { c.set_selecting_gate(0); }},
      {"a fifth channel of two levels", 5, [](auto& c) { c.set_two_level_channels(16); }},
      {"a fifth channel", 6, [](auto& c) { c.set_connected_channels(31); }},
      {"three safe levels", 7, [](auto& c) { c.mutable_safe_lsb()->RemoveLast(); }},
      {"a safe level beyond the converter", 7, [](auto& c) { c.set_safe_lsb(2, 65'536); }},
      {"nothing said of safe outputs", 8, [](auto& c) { c.clear_safe_outputs(); }},
      {"a way of being safe that is none", 8, [](auto& c) { c.set_safe_outputs(static_cast<proto::SafeOutputs>(3)); }},
      {"safe lines that connect the outputs", 9, [](auto& c) { c.set_safe_lines(proto::LINE_OUTPUTS); }},
      {"a line that is none", 9, [](auto& c) { c.set_safe_lines(64); }},
      {"an odd rate", 10, [](auto& c) { c.set_device_baud(31'250); }},
  };
  Cycle worst = 0;
  for (const Wrong& wrong : wrongs) {
    BoardBench board;
    start(board);
    board.fall_silent();
    board.run_for(kMs);  // the last tick is through
    proto::Configure configure = BoardBench::usual_configuration();
    configure.set_safe_lsb(0, 11'111);  // right by itself, and not to be kept
    wrong.spoil(configure);
    proto::ToBoard message;
    *message.mutable_configure() = configure;
    board.answers.clear();
    board.send(message);
    const Cycle frame_ends = board.processor().now() + (static_cast<Cycle>(message.ByteSizeLong()) + 4) * 160;
    while (board.circuit().codes()[0] != 52'000 && board.processor().now() < frame_ends + kMs) {
      board.run_for(kUs);
    }
    worst = std::max(worst, board.processor().now() - frame_ends);
    EXPECT_EQ(board.circuit().codes()[0], 52'000) << wrong.what << ": safe, by the configuration that was";
    board.run_for(3 * kMs);
    EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_CONFIGURATION) << wrong.what;
    ASSERT_EQ(board.answers.size(), 1U) << wrong.what;
    const auto& answer = board.answers[0].message.configured();
    EXPECT_FALSE(answer.accepted()) << wrong.what;
    EXPECT_EQ(answer.wrong_field(), wrong.field) << wrong.what;
    EXPECT_EQ(answer.board_link_version(), 1U) << wrong.what;
    EXPECT_EQ(answer.host_link_version(), configure.link_version()) << wrong.what << ": both versions are named";
  }
  std::printf("safe %.2f ms after a wrong configuration at worst\n", static_cast<double>(worst) / kMs);
}

TEST(SafeState, AWrongFirstConfigurationLeavesEverythingOpen) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_selecting_gate(2);
  board.send(configure);
  board.run_for(5 * kMs);
  EXPECT_TRUE(open(board));
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_CONFIGURATION);
}

TEST(SafeState, ComesWhenTheHostWishesIt) {
  BoardBench board;
  start(board);
  board.ask(proto::Ask::SAFE);
  board.run_for(2 * kMs);
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_ASKED);
  EXPECT_EQ(board.circuit().codes()[0], 52'000);
}

/// Levels that still wait for their time must not come after it, nor with the next ones.
TEST(SafeState, ForgetsLevelsThatWait) {
  BoardBench board;
  start(board);
  board.fall_silent();
  const auto send_levels = [&board](std::uint16_t code, Cycle ahead) {
    proto::Tick tick = BoardBench::levels({code, code, code, code}, {code, code, code, code});
    tick.set_sequence(board.next_sequence());
    tick.set_hold_from_ticks(board.ticks_at(board.processor().now() + ahead));
    board.send(tick);
    board.run_for(kMs);
  };
  for (int i = 0; i < 3; ++i) {
    send_levels(1, 15 * kMs);
  }
  board.ask(proto::Ask::SAFE);
  board.run_for(30 * kMs);
  EXPECT_EQ(board.circuit().codes()[0], 52'000);
  board.configure(BoardBench::usual_configuration());
  send_levels(2, 10 * kMs);
  EXPECT_EQ(board.circuit().codes()[0], 52'000) << "not yet";
  board.run_for(12 * kMs);
  EXPECT_EQ(board.circuit().codes()[0], 2);
}

TEST(SafeState, AHangingFirmwareIsRestartedWithEverythingOpen) {
  BoardBench board;
  start(board);
  board.fall_silent();
  board.processor().stall();
  board.run_for(100 * kMs);
  EXPECT_TRUE(open(board));
  EXPECT_LT(board.circuit().device_supply_v(), 0.1);
  board.run_for(20 * kMs);
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_WATCHDOG);
  board.answers.clear();
  board.ask(proto::Ask::IDENTITY);
  board.run_for(5 * kMs);
  ASSERT_EQ(board.answers.size(), 1U);
  EXPECT_EQ(board.answers[0].message.identity().reset_cause(), 8U);
  board.configure(BoardBench::usual_configuration());
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE) << "and can be used again";
}

TEST(SafeState, AResetOfTheBoardOpensTheOutputsAtOnce) {
  BoardBench board;
  start(board);
  board.processor().hold_reset(true);
  board.run_for(kMs);
  EXPECT_TRUE(open(board));
}

}  // namespace
}  // namespace dawnrig::interface_board
