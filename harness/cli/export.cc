// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <memory>

#include "harness/base/bad_input.h"
#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/trace/recorder.h"

namespace dawnrig::cli {
namespace {

struct ExportOptions {
  std::filesystem::path trace;
  std::filesystem::path csv;
  std::filesystem::path vcd;
  bool windows{false};
};

int export_trace(const ExportOptions& given) {
  if (given.csv.empty() && given.vcd.empty()) {
    throw base::BadInput("dawnrig export", "has nothing to write; give --csv FILE, --vcd FILE or both");
  }
  const trace::Trace trace = trace::read_trace(given.trace);
  if (!trace.complete) {
    std::fprintf(stderr, "%s: cut off; everything up to %.3f s is here\n", given.trace.c_str(), in_seconds(trace.end));
  }
  if (!given.csv.empty()) {
    trace::export_csv(trace, given.csv, given.windows);
    std::printf("%s\n", given.csv.c_str());
  }
  if (!given.vcd.empty()) {
    trace::export_vcd(trace, given.vcd);
    std::printf("%s\n", given.vcd.c_str());
  }
  return kPass;
}

}  // namespace

void add_export(CLI::App& app, Action& chosen) {
  const auto options = std::make_shared<ExportOptions>();
  CLI::App* command = app.add_subcommand("export",
                                         "Write a trace for other tools: CSV, or VCD (IEEE 1364).\n"
                                         "Example: dawnrig export cloud.trace --csv cloud.csv --vcd cloud.vcd");
  command->add_option("TRACE", options->trace, "a recorded trace, whole or cut off")->required();
  command->add_option("--csv", options->csv, "one row per interval: minimum, mean and maximum of each signal");
  command->add_option("--vcd", options->vcd, "value change dump, for wave viewers");
  command->add_flag("--windows", options->windows, "CSV: the full-resolution samples around events instead");
  command->callback([options, &chosen] { chosen = [options] { return export_trace(*options); }; });
}

}  // namespace dawnrig::cli
