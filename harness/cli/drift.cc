// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>
#include <string>

#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/report/drift.h"

namespace dawnrig::cli {

void add_drift(CLI::App& app, Action& chosen) {
  struct Options {
    report::DriftOptions drift;
    std::string page;
  };
  const auto options = std::make_shared<Options>();
  CLI::App* command = app.add_subcommand(
      "drift",
      "What moved between the results of an accepted build and today's, farthest first.\n"
      "Exit code 1: a margin shrank by more than --share, a verdict became worse, or a figure is missing today.\n"
      "Example: dawnrig drift --accepted out/accepted --today out/today --share 0.25 --page drift.html");
  command->add_option("--accepted", options->drift.accepted, "folder that judge --out was given for the accepted build")
      ->required();
  command->add_option("--today", options->drift.today, "the same for today's build")->required();
  command->add_option(
      "--repeat", options->drift.repeats,
      "the accepted build judged again with another --seed; how far its figures move is no news. Without it, a "
      "tenth of a tolerance is none");
  command->add_option("--share", options->drift.share_frac, "by how much of itself a margin may shrink")
      ->check(CLI::Range(0.0, 1.0))
      ->capture_default_str();
  command->add_option("--page", options->page, "write a page with pictures here");
  command->callback([options, &chosen] {
    chosen = [options] {
      const report::Drift drift = report::drift_of(options->drift);
      report::print_drift(drift, stdout);
      if (!options->page.empty()) report::write_drift_page(drift, options->page);
      return drift.shrank() ? kFail : kPass;
    };
  });
}

}  // namespace dawnrig::cli
