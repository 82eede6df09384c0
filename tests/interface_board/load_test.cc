// How busy the board is, in the processor's own cycles: what must never come too late has room to spare.
#include <gtest/gtest.h>

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

/// Both directions 1000 times a second, four channels, a gate at the usual rates of eight-bit timers.
TEST(BoardLoad, IsAtMostHalfWithAThousandFramesASecond) {
  EXPECT_LE(load_at(0, false), 0.5);
  EXPECT_LE(load_at(100, false), 0.5);
  EXPECT_LE(load_at(490.196, false), 0.5);
  EXPECT_LE(load_at(976.5625, false), 0.5);
}

TEST(BoardLoad, LeavesRoomAtTheFastestGateThatIsPromised) {
  EXPECT_LE(load_at(3906.25, false), 0.65);
  EXPECT_LE(load_at(20'000, false), 0.9);
  EXPECT_LE(load_at(976.5625, true), 0.6);
}

}  // namespace
}  // namespace dawnrig::interface_board
