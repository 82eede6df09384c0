// Room: harness/cli, the top floor.

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <system_error>
#include <thread>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/report/report.h"
#include "harness/report/results.h"
#include "harness/testing/judging.h"

namespace dawnrig::cli {
namespace {

namespace fs = std::filesystem;

constexpr const char* kCautions =
    "A verdict on synthesised voltages says nothing about power parts, and this is no safety system. Before a real\n"
    "battery or panel: local codes, the makers' instructions and licensed practice come first; see the cautions in\n"
    "the report.\n";

struct JudgeOptions {
  testing::JudgingOptions judging;
  std::vector<std::string> firmware;
  std::vector<std::string> boards;
  std::vector<std::string> sites;
  std::string catalogue;
};

/// As given, or the one beside the requirements, if there is one.
std::optional<fs::path> catalogue_of(const JudgeOptions& given) {
  if (!given.catalogue.empty()) return given.catalogue;
  const fs::path beside = given.judging.requirements.parent_path() / "catalogue.textproto";
  return fs::exists(beside) ? std::optional{beside} : std::nullopt;
}

std::vector<testing::Entrant> entrants_of(const JudgeOptions& given) {
  const std::size_t devices = given.boards.size();
  if (given.firmware.size() != devices || (given.sites.size() != devices && given.sites.size() != 1)) {
    throw base::BadInput("dawnrig judge", "was given " + std::to_string(given.firmware.size()) + " --firmware, " +
                                              std::to_string(devices) + " --board and " +
                                              std::to_string(given.sites.size()) +
                                              " --site; give one of each per device (one --site may serve all)");
  }
  std::vector<testing::Entrant> entrants;
  for (std::size_t i = 0; i < devices; ++i) {
    entrants.push_back({given.firmware[i], given.boards[i], given.sites.size() == 1 ? given.sites[0] : given.sites[i]});
  }
  return entrants;
}

int judge(JudgeOptions given) {
  if (const auto catalogue = catalogue_of(given)) static_cast<void>(report::load_catalogue(*catalogue));
  testing::JudgingOptions& judging = given.judging;
  judging.entrants = entrants_of(given);
  if (judging.rig.kind == testing::RigKind::kBench) {
    testing::climb(judging.rig, {{"the suite", base::EnergyLevel::kSenseOnly}});
    std::fputs(testing::cautions(*judging.rig.level).c_str(), stderr);
  }
  judging.progress = ::isatty(STDERR_FILENO) != 0;
  const testing::JudgingOutcome outcome = testing::judge_devices(judging);
  const fs::path page = judging.out / "report.html";
  report::write_html(outcome.result_files, page, catalogue_of(given));
  report::print_table(outcome.result_files, stdout);
  std::printf("\n%.0f s simulated in %.0f s\n\n%s\nreport: %s\n", outcome.simulated_s, outcome.wall_s, kCautions,
              fs::absolute(page).lexically_normal().c_str());
  return report::exit_code(outcome.result_files);
}

fs::path beside_this_program(const char* relative) {
  std::error_code error;
  const fs::path self = fs::read_symlink("/proc/self/exe", error);
  return (self.parent_path() / relative).lexically_normal();
}

}  // namespace

void add_judge(CLI::App& app, Action& chosen) {
  const auto options = std::make_shared<JudgeOptions>();
  testing::JudgingOptions& judging = options->judging;
  judging.jobs = static_cast<int>(std::max(1U, std::thread::hardware_concurrency()));
  judging.suite = beside_this_program("../../tests/acceptance/acceptance");
  CLI::App* command = app.add_subcommand(
      "judge",
      "Run the acceptance suite on one device or several, and write a report.\n"
      "Example: dawnrig judge --firmware a.elf --board a.textproto --firmware b.elf --board b.textproto "
      "--site ridge.textproto --requirements limits.textproto --out out");
  command->add_option("--firmware", options->firmware, "image under test, .elf or Intel .hex; once per device")
      ->required();
  command->add_option("--board", options->boards, "board profile; once per device")->required();
  command->add_option("--site", options->sites, "site profile; once per device, or one for all")->required();
  command->add_option("--requirements", judging.requirements, "requirement file")->required();
  command->add_option(
      "--catalogue", options->catalogue,
      "what the suite sets out to cover, shown in the report; catalogue.textproto beside the requirements "
      "if there is one");
  command->add_option("--out", judging.out, "folder for report, results, traces and logs")->required();
  command->add_option("--filter", judging.filter, "which tests, with * and ?; several joined by ':'")
      ->capture_default_str();
  command->add_option("--jobs", judging.jobs, "tests at a time")->check(CLI::Range(1, 256))->capture_default_str();
  command->add_option("--seed", judging.seed, "of memory at power-up and of noise")->capture_default_str();
  command->add_option("--suite", judging.suite, "another suite's executable");
  testing::add_rig_options(*command, judging.rig);
  command->add_flag("!--no-skip", judging.skip_idle, "execute the processor's idling too: same results, later");
  command->callback([options, &chosen] { chosen = [options] { return judge(*options); }; });
}

}  // namespace dawnrig::cli
