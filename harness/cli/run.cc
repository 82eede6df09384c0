// Room: harness/cli, the top floor.

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cstdint>
#include <cstdio>
#include <memory>
#include <optional>
#include <string>

#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/testing/scenario_run.h"

namespace dawnrig::cli {
namespace {

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

void print(const testing::ScenarioRunOutcome& outcome) {
  for (const verdict::Finding& finding : outcome.findings) {
    std::printf("%-8s %s: %s\n         %s\n", std::string{verdict::text_of(finding.verdict)}.c_str(),
                finding.requirement.id.c_str(), finding.requirement.sentence.c_str(), finding.reason.c_str());
  }
  for (const std::string& note : outcome.rig_notes) std::printf("rig      %s\n", note.c_str());
  for (const std::string& note : outcome.notes) std::printf("note     %s\n", note.c_str());
  if (!outcome.invalid_because.empty()) {
    std::printf("INVALID  %s\n", outcome.invalid_because.c_str());
  }
  if (!outcome.device_crash.empty()) {
    std::printf("FAIL     the firmware crashed: %s\n", outcome.device_crash.c_str());
  }
  std::printf("%.3f s simulated, %lld reset(s), %.3f Wh from the panel, books open by %.2g J\n",
              in_seconds(outcome.end), static_cast<long long>(outcome.resets), outcome.panel_wh,
              outcome.books_residual_j);
  std::printf("battery: %s\n", verdict::text_of(outcome.battery).c_str());
}

int run(testing::ScenarioRunOptions options) {
  if (options.rig.level) std::fputs(testing::cautions(*options.rig.level).c_str(), stderr);
  RunProgress progress;
  options.on_progress = [&progress](Nanos now, Nanos end) { progress.show(now, end); };
  const testing::ScenarioRunOutcome outcome = testing::run_scenario(options);
  progress.clear();
  print(outcome);
  std::printf("trace %s%s\n", outcome.content_sha256.c_str(),
              options.trace.empty() ? "" : (" in " + options.trace.string()).c_str());
  return exit_code_of(outcome);
}

}  // namespace

void add_run(CLI::App& app, Action& chosen) {
  const auto options = std::make_shared<testing::ScenarioRunOptions>();
  CLI::App* command = app.add_subcommand(
      "run",
      "Run one scenario, on the virtual rig unless another is chosen.\n"
      "Example: dawnrig run cloud.textproto --firmware fw.elf --board board.textproto --site site.textproto "
      "--requirements limits.textproto --trace cloud.trace");
  command->add_option("SCENARIO", options->scenario, "scenario file")->required();
  command->add_option("--firmware", options->firmware, "image under test, .elf or Intel .hex")->required();
  command->add_option("--board", options->board, "board profile")->required();
  command->add_option("--site", options->site, "site profile")->required();
  command->add_option("--requirements", options->requirements, "requirement file, for the scenario's checks");
  command->add_option("--trace", options->trace, "where to record; without it the trace is only hashed");
  command->add_option("--seed", options->seed, "instead of the scenario's own");
  command->add_option("--count-above-v", options->count_beyond.above_v,
                      "battery voltage beyond which time is counted; the board's over-voltage limit unless told");
  command->add_option("--count-above-degc", options->count_beyond.above_degc, "battery temperature; 50 unless told");
  command->add_option("--count-below-soc-frac", options->count_beyond.below_soc_frac,
                      "state of charge; 0.5 unless told");
  testing::add_rig_options(*command, options->rig);
  command->add_flag("!--no-skip", options->skip_idle, "execute the processor's idling too: same trace, later");
  command->callback([options, &chosen] { chosen = [options] { return run(*options); }; });
}

}  // namespace dawnrig::cli
