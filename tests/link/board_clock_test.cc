// The board's clock against the host's: unwrapped, and found through delays that only ever add.
#include "harness/link/board_clock.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace dawnrig::link {
namespace {

using namespace std::chrono_literals;

TEST(CounterUnwrapper, GoesOnThroughTheWrapOfThirtySixMinutes) {
  CounterUnwrapper unwrapper;
  const Nanos start = 30min;
  std::int64_t worst_ns = 0;
  for (Nanos t = start; t < start + 5h; t += 61s) {
    worst_ns = std::max(worst_ns, std::abs((unwrapper.extended(counter_at(t)) - t).count()));
  }
  EXPECT_EQ(worst_ns, 0);
}

TEST(CounterUnwrapper, BearsStampsOutOfOrderAcrossTheWrap) {
  CounterUnwrapper unwrapper;
  const Nanos wrap{std::int64_t{500} << 32};
  EXPECT_EQ(unwrapper.extended(counter_at(wrap - 1ms)), wrap - 1ms);
  EXPECT_EQ(unwrapper.extended(counter_at(wrap + 2ms)), wrap + 2ms);
  EXPECT_EQ(unwrapper.extended(counter_at(wrap - 2ms)), wrap - 2ms);
  EXPECT_EQ(unwrapper.extended(counter_at(wrap + 3ms)), wrap + 3ms);
}

struct Line {
  double drift_s_per_s{0};
  Nanos offset{0};
  Nanos least_delay{400us};
  double mean_extra_s{300e-6};
};

/// Feeds a minute of reports through exponentially distributed delays with rare long ones.
ClockEstimator after_a_minute(const Line& line, std::uint64_t seed) {
  std::mt19937_64 draw{seed};
  ClockEstimator estimator;
  for (Nanos board = 0ms; board < 60s; board += 1ms) {
    const double unit = (static_cast<double>(draw() >> 11U) + 0.5) / 9007199254740992.0;
    double extra_s = -line.mean_extra_s * std::log(unit);
    if (draw() % 1000 == 0) extra_s += 0.02;
    const double host_s =
        in_seconds(board) * (1.0 + line.drift_s_per_s) + in_seconds(line.offset + line.least_delay) + extra_s;
    estimator.add(board, from_seconds(host_s));
  }
  return estimator;
}

TEST(ClockEstimator, FindsDriftAndOffsetOfCrystalsThroughADelayThatVaries) {
  std::uint64_t seed = 1;
  for (const double drift_s_per_s : {0.0, 50e-6, -50e-6, 300e-6}) {
    const Line line{drift_s_per_s, 1234567us};
    const ClockEstimator estimator = after_a_minute(line, ++seed);
    ASSERT_TRUE(estimator.settled());
    EXPECT_NEAR(estimator.drift_s_per_s(), drift_s_per_s, 1e-6);
    for (const Nanos board : {Nanos{60s}, Nanos{61s}}) {
      const double true_s = in_seconds(board) * (1.0 + drift_s_per_s) + in_seconds(line.offset + line.least_delay);
      EXPECT_NEAR(in_seconds(estimator.host_at(board)), true_s, 10e-6) << "drift " << drift_s_per_s;
      EXPECT_NEAR(in_seconds(estimator.board_at(from_seconds(true_s))), in_seconds(board), 10e-6);
    }
  }
}

TEST(ClockEstimator, IsOfUseFromTheFirstReport) {
  ClockEstimator estimator;
  estimator.add(5s, 7s);
  EXPECT_EQ(estimator.host_at(5s), Nanos{7s});
  EXPECT_EQ(estimator.board_at(7010ms), Nanos{5010ms});
  EXPECT_FALSE(estimator.settled());
  estimator.add(5001ms, 7003ms);
  EXPECT_EQ(estimator.latest_delay(), Nanos{2ms});
}

TEST(ClockEstimator, IsNotMovedByOneReportThatWasHeldBack) {
  ClockEstimator estimator = after_a_minute({}, 9);
  const Nanos before = estimator.host_at(60s);
  estimator.add(60s, before + 500ms);
  EXPECT_NEAR(in_seconds(estimator.host_at(60s) - before), 0.0, 5e-6);
  EXPECT_NEAR(in_seconds(estimator.latest_delay()), 0.5, 5e-6);
}

}  // namespace
}  // namespace dawnrig::link
