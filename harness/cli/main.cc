// The `dawnrig` command: which of its jobs is asked for, and how every failure ends.
// Room: harness/cli, the top floor.
//
// Exit codes: 0 all pass, 1 some requirement failed, 2 some run was invalid or vacuous, 3 bad input.

#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>
#include <exception>
#include <string>

#include "harness/base/bad_input.h"
#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"

namespace {

using namespace dawnrig;

int with_arguments(int argc, char** argv) {
  CLI::App app{
      "Judges the firmware of a solar charge controller against a virtual plant.\n\n"
      "Example: dawnrig judge --firmware fw.elf --board board.textproto --site site.textproto "
      "--requirements limits.textproto --out out\n\n"
      "Exit codes: 0 all pass, 1 some requirement failed, 2 some run was invalid or vacuous, 3 bad input.\n"};
  app.require_subcommand(1);
  app.set_version_flag("--version", std::string{"dawnrig "} + DAWNRIG_VERSION);
  cli::Action chosen;
  cli::add_check(app, chosen);
  cli::add_run(app, chosen);
  cli::add_judge(app, chosen);
  cli::add_export(app, chosen);
  cli::add_characterise(app, chosen);
  cli::add_drift(app, chosen);
  cli::add_bench(app, chosen);
  cli::add_metering(app, chosen);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? cli::kPass : cli::kBadInput;
  }
  return chosen();
}

}  // namespace

int main(int argc, char** argv) {
  // A file at its size limit must be a write that fails and is told, not the end of the process.
  std::signal(SIGXFSZ, SIG_IGN);
  try {
    return with_arguments(argc, argv);
  } catch (const base::BadInput& e) {
    std::fprintf(stderr, "%s\n", e.what());
  } catch (const base::RunFault& e) {
    std::fprintf(stderr, "dawnrig: %s\n", e.what());
  } catch (const std::exception& e) {
    std::fprintf(stderr, "dawnrig: %s\n", e.what());
  }
  return cli::kBadInput;
}
