#include "harness/testing/suite.h"

#include <gtest/gtest.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <string>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/testing/identity.h"
#include "harness/testing/result_listener.h"

namespace dawnrig::testing {

namespace {

constexpr int kBadInput = 3;

std::unique_ptr<Bench>& the_bench() {
  static std::unique_ptr<Bench> bench;
  return bench;
}

struct CommandLine {
  std::string firmware, board, site, requirements, results, traces;
  std::uint64_t seed{1};
  bool no_skip{false};
  RigChoice rig;
};

/// A suite brings its own loads, sized to the array it finds, so that it runs on any site.
void add_suite_loads(profile::SiteProfile& site, bool has_load_output) {
  if (site.loads.size() + 2 > plant::kMaxLoads) {
    throw base::BadInput(site.file, "has " + std::to_string(site.loads.size()) +
                                        " loads; a suite adds two of its own, so " +
                                        std::to_string(plant::kMaxLoads - 2) + " are the most it can be run with");
  }
  for (profile::SiteLoad& load : site.loads) {
    load.on_at_start = false;
  }
  const plant::ConstantCurrentParams one_ampere{1.0, 1.0};
  site.loads.push_back({kSwitchedLoad, {one_ampere, !has_load_output}, false});
  site.loads.push_back({kDirectLoad, {one_ampere, true}, false});
}

std::unique_ptr<Bench> load_bench(const CommandLine& line) {
  auto bench = std::make_unique<Bench>();
  bench->board = profile::load_board(line.board);
  bench->site = profile::load_site(line.site);
  bench->requirements = profile::load_requirements(line.requirements);
  profile::check_together(bench->board, bench->site);
  bench->image = device::load_image(line.firmware, bench->board.device.part);
  add_suite_loads(bench->site, bench->board.load_output.has_value());
  bench->seed = line.seed;
  bench->board.device.skip_idle = !line.no_skip;
  bench->trace_folder = line.traces;
  bench->rig = line.rig;
  climb(line.rig, {{bench->board.file, bench->board.highest_level},
                   {bench->site.file, bench->site.highest_level},
                   {"the suite", base::EnergyLevel::kSenseOnly}});
  return bench;
}

}  // namespace

const Bench& bench() {
  if (!the_bench()) {
    std::fprintf(stderr, "a suite must be started through run_suite()\n");
    std::abort();
  }
  return *the_bench();
}

int run_suite(int argc, char** argv) {
  ::testing::InitGoogleTest(&argc, argv);
  CommandLine line;
  CLI::App app{
      "An acceptance suite on the virtual rig.\n"
      "Example: acceptance --firmware fw.elf --board board.textproto --site site.textproto "
      "--requirements limits.textproto --results results.pb"};
  app.add_option("--firmware", line.firmware, "image under test, .elf or Intel .hex")->required();
  app.add_option("--board", line.board, "board profile")->required();
  app.add_option("--site", line.site, "site profile")->required();
  app.add_option("--requirements", line.requirements, "requirement file")->required();
  app.add_option("--results", line.results, "where to write what was found");
  app.add_option("--traces", line.traces, "folder for the traces; without it they are only hashed");
  app.add_option("--seed", line.seed, "seed of memory at power-up and of noise")->capture_default_str();
  app.add_flag("--no-skip", line.no_skip, "execute the processor's idling too: same results, later");
  add_rig_options(app, line.rig);
  if (GTEST_FLAG_GET(list_tests)) {
    return RUN_ALL_TESTS();
  }
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? 0 : kBadInput;
  }
  try {
    the_bench() = load_bench(line);
    collector().set_identity({identity_of(*the_bench(), ""), the_bench()->requirements.file,
                              the_bench()->requirements.sha256, evidence_of(line.rig)});
    if (!line.results.empty()) {
      write_results_to(line.results);
    }
    return RUN_ALL_TESTS();
  } catch (const base::BadInput& e) {
    std::fprintf(stderr, "%s\n", e.what());
    return kBadInput;
  }
}

}  // namespace dawnrig::testing
