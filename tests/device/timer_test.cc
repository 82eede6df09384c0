#include <gtest/gtest.h>

#include "tests/device/device_bench.h"

namespace dawnrig::device {
namespace {

TEST(FastPwm, DutyIsCompareValuePlusOneTicksOfThePeriod) {
  Script script;
  script.write(0x24, 0x08).write(0x45, 3).write(0xB3, 64).write(0xB0, 0x83).write(0xB1, 0x04);
  script = Script().write(0x24, 0x08).write(0xB3, 64).write(0xB0, 0x83).write(0xB1, 0x04);
  Player player(script, {Pin{'B', 3}});
  ASSERT_EQ(player.device.run_until(200'000), RunStatus::kRunning) << player.device.crash_reason();
  const auto edges = player.witness.of({'B', 3});
  ASSERT_GT(edges.size(), 10U);
  for (std::size_t i = 4; i + 1 < edges.size(); ++i) {
    const Cycle expected = edges[i].drive == Drive::kHigh ? 65 * 64 : 191 * 64;
    EXPECT_EQ(edges[i + 1].at - edges[i].at, expected) << "edge " << i;
  }
}

}  // namespace
}  // namespace dawnrig::device
