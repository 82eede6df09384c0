// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/testing/file_check.h"

namespace dawnrig::cli {
namespace {

int check(const std::vector<std::filesystem::path>& files) {
  const testing::FileCheck result = testing::check_files(files);
  for (const std::string& line : result.fine) {
    std::printf("%s\n", line.c_str());
  }
  for (const base::Complaint& complaint : result.complaints) {
    std::fprintf(stderr, "%s\n", complaint.text().c_str());
  }
  return result.complaints.empty() ? kPass : kBadInput;
}

}  // namespace

void add_check(CLI::App& app, Action& chosen) {
  const auto files = std::make_shared<std::vector<std::filesystem::path>>();
  CLI::App* command = app.add_subcommand(
      "check",
      "Check files without running anything: board, site, requirement and scenario files, firmware images, traces.\n"
      "Example: dawnrig check my_board.textproto my_site.textproto my.elf");
  command->add_option("FILE", *files, "what to check; kinds are told apart by their contents")->required();
  command->callback([files, &chosen] { chosen = [files] { return check(*files); }; });
}

}  // namespace dawnrig::cli
