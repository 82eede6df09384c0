// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <optional>
#include <string>

#include "harness/base/bad_input.h"
#include "harness/cli/bench.h"
#include "harness/cli/exit_code.h"
#include "harness/cli/typed.h"
#include "harness/link/serial_stream.h"
#include "harness/rig/bench_calibrate.h"
#include "harness/rig/realtime_clock.h"

namespace dawnrig::cli {
namespace {

/// What was typed, if a line is whole. Throws base::BadInput if none will come any more.
std::optional<std::string> demanded(Typed& typed) {
  auto line = typed.line();
  if (!line && typed.ended()) throw base::BadInput("standard input", "ended before the calibration did");
  return line;
}

struct Options {
  std::string port;
  rig::CalibrationPlan plan;
  double meter_uncertainty_mv{1.0};
  double board_degc{25.0};
};

int calibrate(Options given) {
  given.plan.meter_uncertainty_v = 1e-3 * given.meter_uncertainty_mv;
  given.plan.today = today();
  given.plan.board_mdegc = static_cast<std::int32_t>(given.board_degc * 1000.0);
  link::SerialStream stream{given.port};
  rig::WallClock clock;
  link::Session session{stream};
  Typed typed;
  std::printf("Nothing may be connected to the outputs but the meter; the device is off the board.\n");
  const auto join = [&](bool on) {
    std::printf(on ? "Now join gate input 1 to the device supply's terminal, and press return.\n"
                   : "Leave gate input 1 open, and press return.\n");
    std::fflush(stdout);
    while (!demanded(typed)) clock.sleep_until(clock.now() + Nanos{20'000'000});
  };
  std::string asked;
  const auto read = [&](const rig::CalibrationStep& step) -> std::optional<double> {
    const std::string question = std::string{link::channel_name(step.channel)} +
                                 (step.gate_on ? ", gate on" : ", gate off") + ", point " + std::to_string(step.point) +
                                 " of " + std::to_string(step.points);
    if (asked != question) {
      asked = question;
      std::printf("%s: about %.3f V; what does the meter show, in volts? ", question.c_str(), step.about_v);
      std::fflush(stdout);
    }
    const auto line = demanded(typed);
    if (!line) return std::nullopt;
    char* end = nullptr;
    const double v = std::strtod(line->c_str(), &end);
    if (end == line->c_str() || *end != '\0') {
      std::printf("\"%s\" is no number; again, in volts: ", line->c_str());
      std::fflush(stdout);
      return std::nullopt;
    }
    return v;
  };
  const rig::CalibrationOutcome outcome = rig::calibrate(session, clock, given.plan, join, read);
  for (std::size_t i = 0; i < link::kOutputs; ++i) {
    const link::OutputCalibration& output = outcome.stored.output[i];
    std::printf("%-10s gate %-3s  zero %8.3f mV, span %9.3f mV, bow %7.3f mV, residual %.3f mV\n",
                std::string{link::channel_name(i / 2)}.c_str(), i % 2 == 0 ? "off" : "on", 1e-3 * output.zero_uv,
                1e-3 * output.span_uv, 1e-3 * output.bow_uv, 1e3 * outcome.residual_v[i]);
  }
  std::printf("stored; uncertainty %.3f mV (k = 2) at every output, by which verdicts on voltages are narrowed\n",
              1e-3 * outcome.stored.uncertainty_uv);
  return kPass;
}

}  // namespace

void add_bench_calibrate(CLI::App& parent, Action& chosen) {
  const auto given = std::make_shared<Options>();
  CLI::App* command = parent.add_subcommand(
      "calibrate",
      "Calibrate the interface board against a meter: it sets voltages, you type what the meter shows.\n"
      "Example: dawnrig bench calibrate --port /dev/ttyACM0 --points 3 --meter-uncertainty-mv 0.8 --serial 7");
  command->add_option("--port", given->port, "serial port of the interface board")->required();
  command->add_option("--points", given->plan.points, "per output")->check(CLI::Range(2, 5))->capture_default_str();
  command->add_option("--meter-uncertainty-mv", given->meter_uncertainty_mv, "of the meter at 5 V, k = 2")
      ->check(CLI::Range(0.001, 50.0))
      ->capture_default_str();
  command->add_option("--serial", given->plan.serial_number, "serial number that the board shall have")
      ->check(CLI::Range(1U, 4'000'000'000U))
      ->capture_default_str();
  command->add_option("--board-degc", given->board_degc, "temperature of the board")->capture_default_str();
  command->callback([given, &chosen] { chosen = [given] { return calibrate(*given); }; });
}

}  // namespace dawnrig::cli
