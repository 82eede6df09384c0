// How busy the board is, in the processor's own cycles: what must never come too late has room to spare.
#include <gtest/gtest.h>

#include <algorithm>

#include "tests/interface_board/board_bench.h"

namespace dawnrig::interface_board {
namespace {

double load_at(double hz, bool two_gates) {
  BoardBench board;
  board.run_for(5 * kMs);
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_used(two_gates ? 3 : 1);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({51'234, 12'345, 40'404, 30'303}, {50'123, 54'321, 123, 30'303}));
  if (hz > 0) {
    const auto period = static_cast<Cycle>(16e6 / hz);
    board.drive_gate(0, Wave{period, period / 3, 7});
    if (two_gates) board.drive_gate(1, Wave{period, period / 2, 411});
  }
  board.run_for(40 * kMs);
  board.reports.clear();
  const double load_frac = board.load_frac(500 * kMs);
  EXPECT_GE(board.reports.size(), 498U) << hz << " Hz: reports fell out";
  EXPECT_EQ(board.last_report().gate_1().lost_edges(), 0U) << hz << " Hz";
  EXPECT_EQ(board.broken(), 0) << hz << " Hz";
  EXPECT_EQ(board.processor().serial_overruns(), 0) << hz << " Hz";
  std::printf("%6.0f Hz, %s: %.1f %%\n", hz, two_gates ? "two gates" : "one gate", load_frac * 100.0);
  return load_frac;
}

/// Both directions 1000 times a second, four channels, gates at the usual rates of eight-bit timers.
TEST(BoardLoad, IsAtMostHalfWithAThousandFramesASecond) {
  EXPECT_LE(load_at(0, false), 0.5);
  EXPECT_LE(load_at(100, false), 0.5);
  EXPECT_LE(load_at(490.196, false), 0.5);
  EXPECT_LE(load_at(976.5625, false), 0.5);
  EXPECT_LE(load_at(100, true), 0.5);
  EXPECT_LE(load_at(490.196, true), 0.5);
}

TEST(BoardLoad, LeavesRoomAtTheFastestGateThatIsPromised) {
  EXPECT_LE(load_at(3906.25, false), 0.5) << "where one gate reaches half";
  EXPECT_LE(load_at(20'000, false), 0.9);
  EXPECT_LE(load_at(540, true), 0.5) << "where two gates reach half";
  EXPECT_LE(load_at(976.5625, true), 0.6);
  EXPECT_LE(load_at(5'000, true), 0.8);
}

/// Memory between variables and stack: whatever the board does, some of it is never touched.
TEST(BoardLoad, LeavesMemoryToSpare) {
  constexpr std::uint32_t kLastByte = 0x21FF;
  constexpr std::uint32_t kStackAtRest = 48;
  constexpr std::uint8_t kMark = 0xC5;
  BoardBench board;
  board.run_for(5 * kMs);
  std::uint32_t variables_end = 0x200;
  for (const auto& symbol : board_image().data_symbols) {
    if (symbol.address + symbol.size <= kLastByte) {
      variables_end = std::max(variables_end, symbol.address + symbol.size);
    }
  }
  ASSERT_GT(variables_end, 0x1000U) << "the symbols are not those of the board's firmware";
  for (std::uint32_t at = variables_end; at <= kLastByte - kStackAtRest; ++at) {
    board.processor().poke(at, kMark);
  }
  board.ask(proto::Ask::SELF_TEST);
  board.run_for(600 * kMs);
  proto::Calibration calibration;
  calibration.set_serial_number(1);
  calibration.set_calibrated_day(1);
  for (int i = 0; i < 8; ++i) calibration.add_output()->set_span_uv(5'000'000);
  for (int i = 0; i < 6; ++i) calibration.add_readback()->set_span_uv(5'000'000);
  calibration.set_valid(true);
  board.send(calibration);
  board.run_for(800 * kMs);
  EXPECT_EQ(board.processor().eeprom()[0] != 0xFF, true) << "nothing was stored";
  proto::Configure configure = BoardBench::usual_configuration();
  configure.set_gates_used(3);
  board.configure(configure);
  board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  board.drive_gate(0, Wave{800, 300, 0});
  board.drive_gate(1, Wave{3'200, 300, 0});
  for (const auto question : {proto::Ask::IDENTITY, proto::Ask::CALIBRATION, proto::Ask::HEALTH, proto::Ask::SAFE}) {
    board.ask(question);
    board.run_for(20 * kMs);
  }
  std::uint32_t spare = 0;
  while (variables_end + spare <= kLastByte && board.processor().peek(variables_end + spare) == kMark) {
    ++spare;
  }
  std::printf("%u bytes of memory were never touched\n", spare);
  EXPECT_GE(spare, 512U);
}

}  // namespace
}  // namespace dawnrig::interface_board
