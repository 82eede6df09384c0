// What the device sees on its sense pins: the right word in the converter, at the right instant, and the level that
// goes with what its own gate does.
#include <gtest/gtest.h>

#include <array>

#include "tests/interface_board/board_bench.h"

namespace dawnrig::interface_board {
namespace {

constexpr double kVoltPerCode = 5.0 / 65535.0;

struct Running {
  Running() {
    board.run_for(5 * kMs);
    board.configure(BoardBench::usual_configuration());
  }
  void send(proto::Tick tick, Cycle ahead) {
    tick.set_sequence(board.next_sequence());
    tick.set_hold_from_ticks(board.ticks_at(board.processor().now() + ahead));
    board.send(tick);
  }
  proto::Health health() {
    board.answers.clear();
    board.ask(proto::Ask::HEALTH);
    board.run_for(4 * kMs);
    EXPECT_EQ(board.answers.size(), 1U);
    return board.answers.at(0).message.health();
  }
  double sense_v(int channel) { return board.circuit().sense_v(board.processor().now(), channel).value_or(-1.0); }
  BoardBench board;
};

TEST(BoardLevels, ReachTheConverterWordByWord) {
  Running run;
  run.send(BoardBench::levels({0x1234, 0xFFFF, 0x0000, 0x8001}, {0xFEDC, 0x0001, 0xA5A5, 0x7FFE}), 2 * kMs);
  run.board.run_for(4 * kMs);
  const std::array<std::uint16_t, 8> meant{0xFEDC, 0x1234, 0x0001, 0xFFFF, 0xA5A5, 0x0000, 0x7FFE, 0x7FFE};
  for (std::size_t i = 0; i < 8; ++i) {
    EXPECT_EQ(run.board.circuit().codes()[i], meant[i]) << "output " << i << "; the last channel has one level only";
  }
  EXPECT_EQ(run.board.circuit().bad_words(), 0);
}

TEST(BoardLevels, AreTakenOverAtTheInstantTheHostNames) {
  Running run;
  for (const Cycle ahead : {3 * kMs, 2 * kMs, 10 * kMs, kMs + 77, 19 * kMs}) {
    run.board.taken_over.clear();
    const Cycle due = run.board.processor().now() + ahead;
    run.send(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}), ahead);
    run.board.run_until(due + 2 * kMs);
    ASSERT_EQ(run.board.taken_over.size(), 1U);
    // The processor's interrupt, and what another one may keep it waiting for.
    EXPECT_NEAR(static_cast<double>(run.board.taken_over[0] - due) / kUs, 3.0, 6.0) << ahead << " cycles ahead";
  }
  EXPECT_EQ(run.health().ticks_late(), 0U);
}

TEST(BoardLevels, UpToFourWaitForTheirTurn) {
  Running run;
  const Cycle from = run.board.processor().now();
  for (std::uint16_t i = 0; i < 5; ++i) {
    run.send(BoardBench::levels({i, i, i, i}, {i, i, i, i}), (5 + 2 * i) * kMs - (run.board.processor().now() - from));
    run.board.run_for(kMs / 2);
  }
  const std::size_t before = run.board.taken_over.size();
  run.board.run_until(from + 20 * kMs);
  EXPECT_EQ(run.board.taken_over.size() - before, 4U);
  EXPECT_EQ(run.board.circuit().codes()[0], 3) << "the fifth was one too many";
  EXPECT_EQ(run.health().ticks_too_early(), 1U);
}

TEST(BoardLevels, WhoseTimeIsPastAreShownAtOnceAndCounted) {
  Running run;
  const Cycle sent = run.board.processor().now();
  run.send(BoardBench::levels({9, 9, 9, 9}, {9, 9, 9, 9}), -kMs);
  run.board.run_for(2 * kMs);
  ASSERT_FALSE(run.board.taken_over.empty());
  EXPECT_EQ(run.board.circuit().codes()[0], 9);
  EXPECT_LT(run.board.taken_over.back() - sent, kMs);
  EXPECT_EQ(run.health().ticks_late(), 1U);
}

TEST(BoardLevels, MoreThanTwentyMillisecondsAheadAreRefused) {
  Running run;
  run.send(BoardBench::levels({9, 9, 9, 9}, {9, 9, 9, 9}), 25 * kMs);
  run.board.run_for(40 * kMs);
  EXPECT_NE(run.board.circuit().codes()[0], 9);
  EXPECT_EQ(run.health().ticks_too_early(), 1U);
}

TEST(BoardLevels, TheBoardSaysWhichOnesStand) {
  Running run;
  run.board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}), 5 * kMs);
  run.board.run_for(50 * kMs);
  const auto& report = run.board.last_report();
  const std::uint32_t behind = report.host_sequence() - report.applied_sequence();
  EXPECT_GE(behind, 4U);
  EXPECT_LE(behind, 5U) << "five milliseconds ahead";
}

/// The reason for the board: the step at the edge is there at the edge, not a millisecond later.
TEST(BoardLevels, FollowTheDevicesOwnGateWithinMicroseconds) {
  Running run;
  run.board.tick_each_ms(BoardBench::levels({40'000, 20'000, 60'000, 0}, {30'000, 50'000, 0, 25'000}));
  run.board.run_for(20 * kMs);
  for (int edge = 0; edge < 40; ++edge) {
    const bool on = edge % 2 == 0;
    run.board.run_for(7'919);
    const Cycle at = run.board.processor().now();
    run.board.circuit().set_gate(0, on);
    run.board.run_until(at + 10 * kUs);
    EXPECT_NEAR(run.sense_v(0), (on ? 40'000 : 30'000) * kVoltPerCode, 1e-3) << "battery, edge " << edge;
    EXPECT_NEAR(run.sense_v(1), (on ? 20'000 : 50'000) * kVoltPerCode, 1e-3) << "panel, edge " << edge;
    EXPECT_NEAR(run.sense_v(2), (on ? 60'000 : 0) * kVoltPerCode, 1e-3) << "current, edge " << edge;
    EXPECT_NEAR(run.sense_v(3), 25'000 * kVoltPerCode, 1e-6) << "the thermistor knows nothing of the gate";
  }
}

TEST(BoardLevels, FollowAGateThatIsActiveLow) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_active_low(1);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({40'000, 0, 0, 0}, {30'000, 0, 0, 0}));
  board.run_for(20 * kMs);
  for (const bool high : {false, true, false}) {
    board.circuit().set_gate(0, high);
    board.run_for(kMs);
    EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), (high ? 30'000 : 40'000) * kVoltPerCode, 1e-6);
  }
  board.circuit().set_gate(0, std::nullopt);
  board.run_for(kMs);
  EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), 30'000 * kVoltPerCode, 1e-6)
      << "a pin that floats is off";
}

TEST(BoardLevels, FollowTheGateThatIsConfiguredToPick) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_used(3);
  configure.set_selecting_gate(2);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({40'000, 0, 0, 0}, {30'000, 0, 0, 0}));
  board.circuit().set_gate(0, true);
  board.circuit().set_gate(1, false);
  board.run_for(20 * kMs);
  EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), 30'000 * kVoltPerCode, 1e-6);
  board.circuit().set_gate(1, true);
  board.run_for(kMs);
  EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), 40'000 * kVoltPerCode, 1e-6);
}

/// A board that is not powered must not be fed through its sense pins.
TEST(BoardLevels, AreCutOffFromADeviceWithoutSupply) {
  Running run;
  proto::Tick tick = BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8});
  run.board.tick_each_ms(tick);
  run.board.run_for(10 * kMs);
  EXPECT_TRUE(run.board.circuit().sense_v(run.board.processor().now(), 0).has_value());
  EXPECT_NE(run.board.last_report().pins() & proto::PIN_SUPPLY_GOOD, 0U);
  tick.set_lines(proto::LINE_OUTPUTS);
  run.board.tick_each_ms(tick);
  run.board.run_for(10 * kMs);
  for (int channel = 0; channel < 4; ++channel) {
    EXPECT_FALSE(run.board.circuit().sense_v(run.board.processor().now(), channel).has_value())
        << "channel " << channel;
  }
  EXPECT_EQ(run.board.last_report().pins() & proto::PIN_SUPPLY_GOOD, 0U);
}

TEST(BoardLevels, OnlyConfiguredChannelsAreConnected) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_connected_channels(0b0101);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  board.run_for(10 * kMs);
  for (int channel = 0; channel < 4; ++channel) {
    EXPECT_EQ(board.circuit().sense_v(board.processor().now(), channel).has_value(), channel % 2 == 0) << channel;
  }
}

TEST(BoardLevels, AreReadBackWithTheGateAsItWasThen) {
  Running run;
  run.board.tick_each_ms(BoardBench::levels({40'000, 20'000, 60'000, 0}, {30'000, 50'000, 1'000, 25'000}));
  run.board.drive_gate(0, Wave{160'000, 60'000, 0});
  run.board.run_for(300 * kMs);
  const std::array<std::uint32_t, 4> on{40'000, 20'000, 60'000, 25'000};
  const std::array<std::uint32_t, 4> off{30'000, 50'000, 1'000, 25'000};
  std::array<int, 14> seen{};
  for (const Heard& heard : run.board.reports) {
    const auto& report = heard.message.report();
    const std::uint32_t input = report.readback_input();
    if (heard.at < 40 * kMs || input == 0) {
      continue;
    }
    ++seen[2 * input + (report.readback_gate_on() ? 1 : 0)];
    const double counts = report.readback_lsb();
    if (input <= 4) {
      ASSERT_NEAR(counts, (report.readback_gate_on() ? on : off)[input - 1] / 64.0, 1.1) << "input " << input;
    } else {
      ASSERT_NEAR(counts, 512.0, 1.1) << "input " << input << ": 5 V quartered, and half of 2.5 V";
    }
  }
  for (std::size_t input = 1; input <= 6; ++input) {
    EXPECT_GT(seen[2 * input], 0) << "input " << input << ", gate off";
    EXPECT_GT(seen[2 * input + 1], 0) << "input " << input << ", gate on";
  }
}

TEST(BoardLines, ActAtOnceAndAreReported) {
  Running run;
  const struct {
    std::uint32_t line, pin;
    bool (*stands)(const BoardCircuit&);
  } lines[] = {
      {proto::LINE_SUPPLY, proto::PIN_SUPPLY_ON, [](const BoardCircuit& c) { return c.device_supply_v() > 4.9; }},
      {proto::LINE_RESET, proto::PIN_RESET_HELD, [](const BoardCircuit& c) { return c.reset_pulled(); }},
      {proto::LINE_BOOT_SELECT, proto::PIN_BOOT_SELECTED, [](const BoardCircuit& c) { return c.boot_pulled(); }},
      {proto::LINE_FAULT_RELAY, proto::PIN_FAULT_RELAY, [](const BoardCircuit& c) { return c.fault_relay_pulled(); }},
      {proto::LINE_SERIAL, proto::PIN_SERIAL_CONNECTED, [](const BoardCircuit& c) { return c.serial_connected(); }},
  };
  for (const auto& line : lines) {
    for (const bool on : {true, false}) {
      proto::Tick tick;
      tick.set_sequence(run.board.next_sequence());
      tick.set_lines(on ? line.line : 0U);
      run.board.send(tick);
      run.board.run_for(kMs);
      EXPECT_EQ(line.stands(run.board.circuit()), on) << "line " << line.line;
      run.board.run_for(2 * kMs);
      EXPECT_EQ((run.board.last_report().pins() & line.pin) != 0, on) << "line " << line.line;
    }
  }
}

TEST(BoardLines, TheDevicesOutputsAreReported) {
  Running run;
  for (int output = 0; output < 5; ++output) {
    run.board.circuit().set_device_output(output, true);
    run.board.run_for(3 * kMs);
    EXPECT_EQ(run.board.last_report().pins() & 31U, 1U << output);
    run.board.circuit().set_device_output(output, false);
  }
}

}  // namespace
}  // namespace dawnrig::interface_board
