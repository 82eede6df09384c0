// What a suite is run on: one firmware image, one board, one site, one set of requirements; and the `main` of a suite.
// Room: harness/testing. May use harness/rig, harness/verdict and what lies below.
#pragma once

#include <cstdint>
#include <filesystem>

#include "harness/device/image.h"
#include "harness/profile/profile.h"
#include "harness/testing/rig_choice.h"

namespace dawnrig::testing {

/// Everything a suite needs, loaded and checked once before the first test.
struct Bench {
  profile::BoardProfile board;
  profile::SiteProfile site;  ///< the site's loads switched off, the suite's own loads added
  profile::RequirementSet requirements;
  device::Image image;
  std::uint64_t seed{1};
  RigChoice rig;
  std::filesystem::path trace_folder;  ///< empty: traces are hashed, not kept
};

/// Names of the loads that the suite adds to every site.
inline constexpr const char* kSwitchedLoad = "suite load on the load output";
inline constexpr const char* kDirectLoad = "suite load on the battery terminals";

/// The bench of this process. Demands that run_suite() has set it up.
[[nodiscard]] const Bench& bench();

/// Loads what the command line names, runs every test that the filter selects and writes the results.
/// Exit codes: 0 all pass, 1 some test failed, 3 bad input (said in one message, nothing run).
int run_suite(int argc, char** argv);

}  // namespace dawnrig::testing
