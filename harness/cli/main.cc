// The `dawnrig` command: argument parsing and printing, nothing else.
// Room: harness/cli, the top floor.
//
// Exit codes: 0 all pass, 1 some requirement failed, 2 some run was invalid or vacuous, 3 bad input.

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <exception>
#include <filesystem>
#include <string>
#include <thread>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/report/report.h"
#include "harness/testing/file_check.h"
#include "harness/testing/judging.h"
#include "harness/testing/scenario_run.h"
#include "harness/trace/recorder.h"

namespace {

namespace fs = std::filesystem;
using namespace dawnrig;

constexpr int kPass = 0;
constexpr int kFail = 1;
constexpr int kUndecided = 2;
constexpr int kBadInput = 3;

constexpr const char* kCautions =
    "A verdict on synthesised voltages says nothing about power parts, and this is no safety system. Before a real "
    "battery\n"
    "or panel: local codes, the makers' instructions and licensed practice come first; see the cautions in the "
    "report.\n";

/// Progress of one run on a terminal; silent elsewhere.
class RunProgress {
 public:
  RunProgress() : shown_{::isatty(STDERR_FILENO) != 0}, start_{std::chrono::steady_clock::now()} {}
  void show(Nanos now, Nanos end) {
    if (!shown_) {
      return;
    }
    const double wall = std::chrono::duration<double>(std::chrono::steady_clock::now() - start_).count();
    const double speed = in_seconds(now) / std::max(wall, 1e-3);
    std::fprintf(stderr, "\r\033[K%.0f s of %.0f s simulated, %.0f times real time, about %.0f s left", in_seconds(now),
                 in_seconds(end), speed, in_seconds(end - now) / std::max(speed, 1e-3));
    std::fflush(stderr);
  }
  void clear() const {
    if (shown_) {
      std::fprintf(stderr, "\r\033[K");
    }
  }

 private:
  bool shown_;
  std::chrono::steady_clock::time_point start_;
};

int check(const std::vector<fs::path>& files) {
  const testing::FileCheck result = testing::check_files(files);
  for (const std::string& line : result.fine) {
    std::printf("%s\n", line.c_str());
  }
  for (const base::Complaint& complaint : result.complaints) {
    std::fprintf(stderr, "%s\n", complaint.text().c_str());
  }
  return result.complaints.empty() ? kPass : kBadInput;
}

int exit_code_of(const testing::ScenarioRunOutcome& outcome) {
  int code = kPass;
  if (!outcome.device_crash.empty()) {
    code = kFail;
  }
  for (const verdict::Finding& finding : outcome.findings) {
    if (finding.verdict == verdict::Verdict::kFail) {
      code = kFail;
    } else if (finding.verdict != verdict::Verdict::kPass && code == kPass) {
      code = kUndecided;
    }
  }
  return outcome.invalid_because.empty() ? code : kUndecided;
}

int run(testing::ScenarioRunOptions options) {
  RunProgress progress;
  options.on_progress = [&progress](Nanos now, Nanos end) { progress.show(now, end); };
  const testing::ScenarioRunOutcome outcome = testing::run_scenario(options);
  progress.clear();
  for (const verdict::Finding& finding : outcome.findings) {
    std::printf("%-8s %s: %s\n         %s\n", std::string{verdict::text_of(finding.verdict)}.c_str(),
                finding.requirement.id.c_str(), finding.requirement.sentence.c_str(), finding.reason.c_str());
  }
  if (!outcome.invalid_because.empty()) {
    std::printf("INVALID  %s\n", outcome.invalid_because.c_str());
  }
  if (!outcome.device_crash.empty()) {
    std::printf("FAIL     the firmware crashed: %s\n", outcome.device_crash.c_str());
  }
  std::printf("%.3f s simulated, %lld reset(s), %.3f Wh from the panel, books open by %.2g J\n",
              in_seconds(outcome.end), static_cast<long long>(outcome.resets), outcome.panel_wh,
              outcome.books_residual_j);
  std::printf("trace %s%s\n", outcome.content_sha256.c_str(),
              options.trace.empty() ? "" : (" in " + options.trace.string()).c_str());
  return exit_code_of(outcome);
}

int judge(testing::JudgingOptions options) {
  options.progress = ::isatty(STDERR_FILENO) != 0;
  const testing::JudgingOutcome outcome = testing::judge_devices(options);
  const fs::path page = options.out / "report.html";
  report::write_html(outcome.result_files, page);
  report::print_table(outcome.result_files, stdout);
  std::printf("\n%.0f s simulated in %.0f s\n", outcome.simulated_s, outcome.wall_s);
  std::printf("report: %s\n\n%s", fs::absolute(page).lexically_normal().c_str(), kCautions);
  return report::exit_code(outcome.result_files);
}

int export_trace(const fs::path& file, const std::string& csv, const std::string& vcd, bool windows) {
  if (csv.empty() && vcd.empty()) {
    throw base::BadInput("dawnrig export", "has nothing to write; give --csv FILE, --vcd FILE or both");
  }
  const trace::Trace trace = trace::read_trace(file);
  if (!trace.complete) {
    std::fprintf(stderr, "%s: cut off; everything up to %.3f s is here\n", file.c_str(), in_seconds(trace.end));
  }
  if (!csv.empty()) {
    trace::export_csv(trace, csv, windows);
    std::printf("%s\n", csv.c_str());
  }
  if (!vcd.empty()) {
    trace::export_vcd(trace, vcd);
    std::printf("%s\n", vcd.c_str());
  }
  return kPass;
}

std::vector<testing::Entrant> entrants_of(const std::vector<std::string>& firmware,
                                          const std::vector<std::string>& boards,
                                          const std::vector<std::string>& sites) {
  if (firmware.size() != boards.size() || (sites.size() != boards.size() && sites.size() != 1)) {
    throw base::BadInput("dawnrig judge", "was given " + std::to_string(firmware.size()) + " --firmware, " +
                                              std::to_string(boards.size()) + " --board and " +
                                              std::to_string(sites.size()) +
                                              " --site; give one of each per device (one --site may serve all)");
  }
  std::vector<testing::Entrant> entrants;
  for (std::size_t i = 0; i < firmware.size(); ++i) {
    entrants.push_back({firmware[i], boards[i], sites.size() == 1 ? sites[0] : sites[i]});
  }
  return entrants;
}

fs::path beside_this_program(const char* relative) {
  std::error_code error;
  const fs::path self = fs::read_symlink("/proc/self/exe", error);
  return (self.parent_path() / relative).lexically_normal();
}

int with_arguments(int argc, char** argv) {
  CLI::App app{
      "Judges the firmware of a solar charge controller against a virtual plant.\n\n"
      "Example: dawnrig judge --firmware fw.elf --board board.textproto --site site.textproto "
      "--requirements limits.textproto --out out\n\n"
      "Exit codes: 0 all pass, 1 some requirement failed, 2 some run was invalid or vacuous, 3 bad input.\n"};
  app.require_subcommand(1);
  app.set_version_flag("--version", std::string{"dawnrig "} + DAWNRIG_VERSION);

  std::vector<fs::path> files;
  CLI::App* checking = app.add_subcommand(
      "check",
      "Check files without running anything: board, site, requirement and scenario files, firmware images, traces.\n"
      "Example: dawnrig check my_board.textproto my_site.textproto my.elf");
  checking->add_option("FILE", files, "what to check; kinds are told apart by their contents")->required();

  testing::ScenarioRunOptions scenario;
  std::string trace_file;
  std::string requirements;
  std::uint64_t seed = 0;
  CLI::App* running = app.add_subcommand(
      "run",
      "Run one scenario on the virtual rig.\n"
      "Example: dawnrig run cloud.textproto --firmware fw.elf --board board.textproto --site site.textproto "
      "--requirements limits.textproto --trace cloud.trace");
  running->add_option("SCENARIO", scenario.scenario, "scenario file")->required();
  running->add_option("--firmware", scenario.firmware, "image under test, .elf or Intel .hex")->required();
  running->add_option("--board", scenario.board, "board profile")->required();
  running->add_option("--site", scenario.site, "site profile")->required();
  auto* requirements_option =
      running->add_option("--requirements", requirements, "requirement file, for the scenario's checks");
  running->add_option("--trace", trace_file, "where to record; without it the trace is only hashed");
  auto* seed_option = running->add_option("--seed", seed, "instead of the scenario's own");

  testing::JudgingOptions judging;
  std::vector<std::string> firmware;
  std::vector<std::string> boards;
  std::vector<std::string> sites;
  judging.jobs = static_cast<int>(std::max(1U, std::thread::hardware_concurrency()));
  judging.suite = beside_this_program("../../tests/acceptance/acceptance");
  CLI::App* judges = app.add_subcommand(
      "judge",
      "Run the acceptance suite on one device or several, and write a report.\n"
      "Example: dawnrig judge --firmware a.elf --board a.textproto --firmware b.elf --board b.textproto "
      "--site ridge.textproto --requirements limits.textproto --out out");
  judges->add_option("--firmware", firmware, "image under test, .elf or Intel .hex; once per device")->required();
  judges->add_option("--board", boards, "board profile; once per device")->required();
  judges->add_option("--site", sites, "site profile; once per device, or one for all")->required();
  judges->add_option("--requirements", judging.requirements, "requirement file")->required();
  judges->add_option("--out", judging.out, "folder for report, results, traces and logs")->required();
  judges->add_option("--filter", judging.filter, "which tests, with * and ?; several joined by ':'")
      ->capture_default_str();
  judges->add_option("--jobs", judging.jobs, "tests at a time")->check(CLI::Range(1, 256))->capture_default_str();
  judges->add_option("--seed", judging.seed, "of memory at power-up and of noise")->capture_default_str();
  judges->add_option("--suite", judging.suite, "another suite's executable");

  fs::path trace_in;
  std::string csv;
  std::string vcd;
  bool windows = false;
  CLI::App* exporting = app.add_subcommand("export",
                                           "Write a trace for other tools: CSV, or VCD (IEEE 1364).\n"
                                           "Example: dawnrig export cloud.trace --csv cloud.csv --vcd cloud.vcd");
  exporting->add_option("TRACE", trace_in, "a recorded trace, whole or cut off")->required();
  exporting->add_option("--csv", csv, "one row per interval: minimum, mean and maximum of each signal");
  exporting->add_option("--vcd", vcd, "value change dump, for wave viewers");
  exporting->add_flag("--windows", windows, "CSV: the full-resolution samples around events instead");

  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? kPass : kBadInput;
  }
  if (*checking) {
    return check(files);
  }
  if (*running) {
    scenario.trace = trace_file;
    if (*requirements_option) {
      scenario.requirements = requirements;
    }
    if (*seed_option) {
      scenario.seed = seed;
    }
    return run(scenario);
  }
  if (*judges) {
    judging.entrants = entrants_of(firmware, boards, sites);
    return judge(judging);
  }
  return export_trace(trace_in, csv, vcd, windows);
}

}  // namespace

int main(int argc, char** argv) {
  try {
    return with_arguments(argc, argv);
  } catch (const base::BadInput& e) {
    std::fprintf(stderr, "%s\n", e.what());
  } catch (const base::RunFault& e) {
    std::fprintf(stderr, "dawnrig: %s\n", e.what());
  } catch (const std::exception& e) {
    std::fprintf(stderr, "dawnrig: %s\n", e.what());
  }
  return kBadInput;
}
