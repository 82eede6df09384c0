// Result files turned into what people read: one HTML page, a table on the terminal, an exit code.
// Room: harness/report. May use harness/verdict, harness/base and what lies below; protobuf in .cc files.
#pragma once

#include <cstdio>
#include <filesystem>
#include <optional>
#include <vector>

namespace dawnrig::report {

// Each takes the result files of any number of processes, devices and shards; files of the same device (board,
// revision, site, image) are merged. Throws base::BadInput, naming the file, if one is missing or is no result file.

/// One self-contained page: no script, nothing from outside. Replaced atomically; throws base::RunFault if it cannot be
/// written whole. `catalogue` (optional): what the suite set out to cover, shown with its verdicts.
void write_html(const std::vector<std::filesystem::path>& result_files, const std::filesystem::path& page,
                const std::optional<std::filesystem::path>& catalogue = {});

/// The verdict table of each device, worst first, and a closing line with counts.
void print_table(const std::vector<std::filesystem::path>& result_files, std::FILE* out);

/// 0: all pass. 1: a requirement failed, or a test for another reason. 2: nothing failed, but a run was invalid, a
/// verdict vacuous, a process died, or there is nothing to report at all.
[[nodiscard]] int exit_code(const std::vector<std::filesystem::path>& result_files);

}  // namespace dawnrig::report
