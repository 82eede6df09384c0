// What the board says of a gate against what the gate did: durations to a microsecond, duties of 0 and 1 included.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "tests/interface_board/board_bench.h"
#include "tests/interface_board/wire_codec.h"

namespace dawnrig::interface_board {
namespace {

/// For how many cycles the wave was up, from power-up to `until`.
Cycle up_until(const Wave& wave, Cycle until) {
  const Cycle phase = until - wave.from;
  return phase / wave.period * wave.high + std::min(phase % wave.period, wave.high);
}

constexpr double kTickUs = 0.5;

/// Everything that the reports of a run say about a gate, against a wave that it followed all the time.
void expect_measured(const BoardBench& board, const Wave& wave, bool active_low, const std::string& what) {
  ASSERT_GE(board.reports.size(), 12U) << what;
  const auto& first = board.reports.front().message.report();
  const auto& last = board.reports.back().message.report();
  const auto window = static_cast<double>(last.at_ticks() - first.at_ticks()) * kTickUs;
  const auto cycle_of = [](std::uint32_t ticks) { return BoardBench::clock_zero() + kTickCycles * Cycle{ticks}; };
  const auto up_us =
      static_cast<double>(up_until(wave, cycle_of(last.at_ticks())) - up_until(wave, cycle_of(first.at_ticks()))) / kUs;
  const double on_us = active_low ? window - up_us : up_us;
  const auto said_us = static_cast<double>(last.gate_1().on_ticks() - first.gate_1().on_ticks()) * kTickUs;
  // The window itself begins and ends at an instant known to a microsecond; each cycle in it is known to a tick.
  const double in_window = window * kUs / static_cast<double>(wave.period);
  EXPECT_NEAR(said_us, on_us, 2.0 + kTickUs * in_window) << what << ": time on in " << window << " us";
  EXPECT_EQ(last.gate_1().lost_edges(), first.gate_1().lost_edges()) << what;

  const double on_pulse_us = static_cast<double>(active_low ? wave.period - wave.high : wave.high) / kUs;
  const double period_us = static_cast<double>(wave.period) / kUs;
  int cycles = 0;
  for (const Heard& heard : board.reports) {
    const auto& gate = heard.message.report().gate_1();
    if (gate.longest_period_ticks() != 0) {
      ++cycles;
      const std::uint32_t shortest =
          gate.shortest_period_ticks() != 0 ? gate.shortest_period_ticks() : gate.longest_period_ticks();
      ASSERT_NEAR(gate.on_pulse_ticks() * kTickUs, on_pulse_us, 1.0) << what;
      ASSERT_NEAR(gate.longest_period_ticks() * kTickUs, period_us, 1.0) << what;
      ASSERT_NEAR(shortest * kTickUs, period_us, 1.0) << what;
    }
  }
  EXPECT_GT(cycles, 0) << what << ": no cycle was ever measured";
}

/// Lets a gate run for long enough to see some cycles, and keeps the reports of the time after it had settled in.
void measure(BoardBench& board, const Wave& wave, Cycle over) {
  board.drive_gate(0, wave);
  board.run_for(wave.period * 2 + 3 * kMs);
  board.reports.clear();
  board.run_for(over);
}

proto::Configure active_low_configuration() {
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_active_low(1);
  return configure;
}

TEST(GateCapture, MeasuresDutyToAMicrosecondFrom100HzTo20KHz) {
  for (const bool active_low : {false, true}) {
    BoardBench board;
    board.run_for(5 * kMs);
    board.configure(active_low ? active_low_configuration() : BoardBench::usual_configuration());
    board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
    for (const double hz : {100.0, 490.196, 976.5625, 3906.25, 20000.0}) {
      const auto period = static_cast<Cycle>(std::llround(16e6 / hz));
      for (const double duty : {0.01, 0.1, 0.333, 0.5, 0.9, 0.99}) {
        const auto high = static_cast<Cycle>(std::llround(duty * static_cast<double>(period)));
        const Wave wave{period, high, board.processor().now()};
        measure(board, wave, std::max<Cycle>(14 * kMs, 4 * period));
        expect_measured(board, wave, active_low,
                        std::to_string(hz) + " Hz, duty " + std::to_string(duty) + (active_low ? ", active low" : ""));
      }
    }
  }
}

TEST(GateCapture, MeasuresAnyDutyAtAnyFrequency) {
  Dice dice(21);
  BoardBench board;
  board.run_for(5 * kMs);
  board.configure(BoardBench::usual_configuration());
  board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  for (int i = 0; i < 120; ++i) {
    const Cycle period = 800 + dice.below(dice.one_in(3) ? 159'200 : 20'000);
    const Cycle high = 16 + dice.below(static_cast<std::uint32_t>(period) - 32);  // either level for a microsecond
    const Wave wave{period, high, board.processor().now()};
    measure(board, wave, std::max<Cycle>(14 * kMs, 4 * period));
    expect_measured(board, wave, false, std::to_string(high) + " of " + std::to_string(period) + " cycles");
    if (testing::Test::HasFailure()) {
      return;
    }
  }
}

TEST(GateCapture, CountsEveryEdge) {
  BoardBench board;
  board.run_for(5 * kMs);
  board.configure(BoardBench::usual_configuration());
  const Cycle from = board.processor().now();
  board.drive_gate(0, Wave{16'384, 4'000, from});
  const std::uint32_t before = board.last_report().gate_1().edges();
  board.run_until(from + 1000 * 16'384 - 8'000);
  board.drive_gate(0, Wave{16'384, 0, 0});
  board.run_for(3 * kMs);
  EXPECT_EQ(board.last_report().gate_1().edges() - before, 2000U) << "a thousand cycles have two thousand edges";
  EXPECT_EQ(board.last_report().gate_1().lost_edges(), 0U);
  EXPECT_EQ(board.last_report().gate_1().glitches(), 0U);
}

TEST(GateCapture, SaysOfAGateAtRestWhetherItIsOnOrOff) {
  for (const bool active_low : {false, true}) {
    for (const bool high : {false, true}) {
      BoardBench board;
      board.run_for(5 * kMs);
      board.configure(active_low ? active_low_configuration() : BoardBench::usual_configuration());
      board.drive_gate(0, Wave{16'384, 8'000, board.processor().now()});
      board.run_for(20 * kMs);
      EXPECT_EQ(board.last_report().gate_1().flags() & proto::GATE_STATIC, 0U) << "it is switching";
      board.drive_gate(0, Wave{16'384, high ? 16'384 : 0, 0});
      board.run_for(35 * kMs);
      const bool on = high != active_low;
      EXPECT_EQ(board.last_report().gate_1().flags(), proto::GATE_STATIC | (on ? 1U * proto::GATE_ON : 0U));
      board.reports.clear();
      board.run_for(100 * kMs);
      const auto& first = board.reports.front().message.report();
      const auto& last = board.reports.back().message.report();
      EXPECT_EQ(last.gate_1().on_ticks() - first.gate_1().on_ticks(), on ? last.at_ticks() - first.at_ticks() : 0U)
          << "a duty of " << on;
      EXPECT_EQ(last.gate_1().longest_period_ticks(), 0U) << "there is no cycle";
    }
  }
}

/// Two-step regulators switch every few seconds.
TEST(GateCapture, AddsUpPulsesOfSeconds) {
  BoardBench board;
  board.run_for(5 * kMs);
  board.configure(BoardBench::usual_configuration());
  const auto& before = board.last_report();
  const std::uint32_t on_before = before.gate_1().on_ticks();
  board.drive_gate(0, Wave{10, 10, 0});
  board.run_for(1234 * kMs);
  board.drive_gate(0, Wave{10, 0, 0});
  board.run_for(2000 * kMs);
  EXPECT_NEAR((board.last_report().gate_1().on_ticks() - on_before) * kTickUs, 1'234'000.0, 1.0);
}

TEST(GateCapture, AnOpenGatePinIsOffWhicheverLevelMeansOn) {
  for (const bool active_low : {false, true}) {
    BoardBench board;
    board.run_for(5 * kMs);
    board.configure(active_low ? active_low_configuration() : BoardBench::usual_configuration());
    board.drive_gate(0, std::nullopt);
    board.run_for(40 * kMs);
    EXPECT_EQ(board.last_report().gate_1().flags(), static_cast<std::uint32_t>(proto::GATE_STATIC))
        << (active_low ? "active low" : "active high");
  }
}

TEST(GateCapture, CountsPulsesOfLessThanTwoMicroseconds) {
  for (const auto& [width, glitches] : {std::pair{Cycle{8}, 1U}, {Cycle{20}, 1U}, {Cycle{48}, 0U}}) {
    BoardBench board;
    board.run_for(5 * kMs);
    board.configure(BoardBench::usual_configuration());
    for (const bool level : {true, false}) {
      const auto before = board.last_report().gate_1();
      board.circuit().set_gate(0, level);
      board.run_for(5 * kMs);
      board.circuit().set_gate(0, !level);
      board.run_for(width);
      board.circuit().set_gate(0, level);
      board.run_for(5 * kMs);
      EXPECT_EQ(board.last_report().gate_1().glitches() - before.glitches(), glitches) << width << " cycles";
      EXPECT_EQ(board.last_report().gate_1().edges() - before.edges(), 3U) << width << " cycles";
    }
  }
}

TEST(GateCapture, MeasuresTwoGatesAtOnce) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_used(3);
  configure.set_gates_active_low(2);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  const Cycle from = board.processor().now();
  // A bridge: complementary, with dead times of a microsecond.
  board.drive_gate(0, Wave{1'600, 500, from});
  board.drive_gate(1, Wave{1'600, 532, from - 16});
  board.run_for(20 * kMs);
  board.reports.clear();
  board.run_for(50 * kMs);
  for (const Heard& heard : board.reports) {
    const auto& report = heard.message.report();
    ASSERT_NEAR(report.gate_1().on_pulse_ticks() * kTickUs, 31.25, 1.0);
    ASSERT_NEAR(report.gate_2().on_pulse_ticks() * kTickUs, 66.75, 1.0) << "on is low there";
    ASSERT_NEAR(report.gate_1().longest_period_ticks() * kTickUs, 100.0, 1.0);
    ASSERT_NEAR(report.gate_2().longest_period_ticks() * kTickUs, 100.0, 1.0);
    ASSERT_EQ(report.gate_1().lost_edges() + report.gate_2().lost_edges(), 0U);
  }
}

/// Beyond what the board promises it must not make figures up in silence: right, or admitted.
TEST(GateCapture, AdmitsWhatIsTooFastForIt) {
  int admitted = 0;
  for (Cycle period = 80; period <= 800; period += period < 320 ? 8 : 24) {  // 200 down to 20 kHz
    BoardBench board;
    board.run_for(5 * kMs);
    board.configure(BoardBench::usual_configuration());
    board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
    const Cycle from = board.processor().now();
    const auto before = board.last_report();
    board.drive_gate(0, Wave{period, period / 2, from});
    board.run_for(30 * kMs);
    const Cycle until = board.processor().now();
    board.drive_gate(0, Wave{16'384, 0, 0});
    board.run_for(5 * kMs);
    const auto after = board.last_report();
    const std::uint32_t lost = after.gate_1().lost_edges() - before.gate_1().lost_edges();
    const std::uint32_t edges = (after.gate_1().edges() - before.gate_1().edges()) & 0xFFFF;
    const auto true_edges = static_cast<double>(2 * ((until - from) / period));
    admitted += lost > 0 ? 1 : 0;
    EXPECT_TRUE(lost > 0 || std::abs(edges - true_edges) <= 2)
        << 16'000'000 / period << " Hz: " << edges << " of " << true_edges << " edges, and none is said to be lost";
    board.drive_gate(0, Wave{16'384, 4'096, board.processor().now()});
    board.run_for(10 * kMs);
    EXPECT_EQ(board.last_report().gate_1().lost_edges(), after.gate_1().lost_edges()) << "it finds back";
    EXPECT_NEAR(board.last_report().gate_1().on_pulse_ticks() * kTickUs, 256.0, 1.0);
    EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
  }
  EXPECT_GT(admitted, 3) << "none of them was too fast";
}

/// What an interrupt may be late by without an edge being lost is the time between two edges of one kind.
TEST(GateCapture, IsServedLongBeforeTheNextEdgeOfItsKind) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_used(3);
  board.configure(configure);
  proto::Tick tick = BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8});
  tick.set_lines(tick.lines() | proto::LINE_SERIAL);
  tick.set_device_serial("pass on");
  board.tick_each_ms(tick);
  board.drive_gate(1, Wave{3'201, 1'000, 0});
  board.run_for(20 * kMs);
  Dice dice(22);
  Cycle worst = 0;
  const std::uint32_t heads[2] = {board.processor().address_of("down_1_head").value(),
                                  board.processor().address_of("up_1_head").value()};
  for (int i = 0; i < 12'000; ++i) {
    const bool level = i % 2 == 0;
    board.run_for(500 + dice.below(3'000));
    const std::uint32_t head = heads[level ? 1 : 0];
    const std::uint8_t before = board.processor().peek(head);
    const Cycle edge = board.processor().now();
    board.circuit().set_gate(0, level);
    while (board.processor().peek(head) == before && board.processor().now() < edge + kMs) {
      board.run_for(1);
    }
    worst = std::max(worst, board.processor().now() - edge);
  }
  std::printf("an edge is stored after %lld cycles at worst\n", static_cast<long long>(worst));
  EXPECT_LE(worst, 400) << "half a period of 20 kHz";
}

}  // namespace
}  // namespace dawnrig::interface_board
