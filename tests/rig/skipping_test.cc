// Skipping idle time changes nothing but the time a run takes: every image, with and without, to the last bit.
// DAWNRIG_SKIP_CHECK_S in the environment sets how many seconds each run lasts, and brings in every mutant;
// ci/skip_check asks for a minute of each.
#include <algorithm>
#include <cstdlib>

#include "tests/rig/every_image.h"

namespace dawnrig::rig {
namespace {

const char* seconds_asked_for() {
  return std::getenv("DAWNRIG_SKIP_CHECK_S");
}

Nanos duration_asked_for() {
  const char* asked = seconds_asked_for();
  return Nanos{std::max(5LL, asked == nullptr ? 5LL : std::atoll(asked)) * 1'000'000'000};
}

class Skipping : public ::testing::TestWithParam<Fixture> {};

TEST_P(Skipping, ChangesNoBitOfARun) {
  const Nanos duration = duration_asked_for();
  VirtualRigSetup setup = setup_of(GetParam());
  setup.board.device.skip_idle = true;
  const Ran skipped = run_through_weather(setup, duration);
  setup.board.device.skip_idle = false;
  const Ran executed = run_through_weather(setup, duration);
  EXPECT_EQ(skipped.fingerprint, executed.fingerprint);
  EXPECT_GE(skipped.resets, 3) << "power-up, reset pin, power cycle";
  const double cycles = in_seconds(duration) * static_cast<double>(setup.board.device.clock_hz);
  const double idle_frac = static_cast<double>(skipped.idle_cycles) / cycles;
  std::printf("%s: %.1f %% of its cycles skipped; %s\n", GetParam().image.c_str(), 100.0 * idle_frac,
              skipped.fingerprint.c_str());
  if (GetParam().image.find("mutants") == std::string::npos) {
    EXPECT_GT(idle_frac, 0.3) << "every one of these firmwares waits much of the time";
  }
}

INSTANTIATE_TEST_SUITE_P(EveryImage, Skipping, ::testing::ValuesIn(every_image(seconds_asked_for() != nullptr)),
                         [](const auto& chosen) {
                           const std::string& image = chosen.param.image;
                           return image.substr(image.rfind('/') + 1);
                         });

}  // namespace
}  // namespace dawnrig::rig
