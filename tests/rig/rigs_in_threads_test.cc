// Independent rigs share nothing: run in threads side by side they give what each gives alone.
#include <atomic>
#include <thread>

#include "tests/rig/every_image.h"

namespace dawnrig::rig {
namespace {

TEST(Threads, RunIndependentRigsWithTheResultsOfEachAlone) {
  using namespace std::chrono_literals;
  std::vector<VirtualRigSetup> setups;
  for (const Fixture& fixture : every_image(false)) {
    if (fixture.image.find("mutants") == std::string::npos) {
      setups.push_back(setup_of(fixture));
      setups.push_back(setup_of(fixture));
      setups.back().seed = 12;
    }
  }
  ASSERT_GE(setups.size(), 8U) << "every firmware twice";
  const Nanos duration = 2s;
  std::vector<std::string> alone;
  alone.reserve(setups.size());
  for (const VirtualRigSetup& setup : setups) {
    alone.push_back(run_through_weather(setup, duration).fingerprint);
  }
  EXPECT_NE(alone[4], alone[5]) << "another seed, another run";

  std::vector<std::string> together(setups.size());
  std::atomic<std::size_t> next{0};
  std::vector<std::thread> workers;
  workers.reserve(4);
  for (int i = 0; i < 4; ++i) {
    workers.emplace_back([&setups, &together, &next, duration] {
      for (std::size_t k = next++; k < setups.size(); k = next++) {
        together[k] = run_through_weather(setups[k], duration).fingerprint;
      }
    });
  }
  for (std::thread& worker : workers) {
    worker.join();
  }
  EXPECT_EQ(together, alone);
}

}  // namespace
}  // namespace dawnrig::rig
