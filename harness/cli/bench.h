// The parts of `dawnrig bench`. Room: harness/cli, the top floor.
#pragma once

#include <cstdint>

#include "harness/cli/commands.h"

namespace dawnrig::cli {

/// Days since 1970-01-01.
[[nodiscard]] std::uint32_t today();

void add_bench_calibrate(CLI::App& parent, Action& chosen);
void add_stand_in(CLI::App& parent, Action& chosen);
void add_differences(CLI::App& parent, Action& chosen);

}  // namespace dawnrig::cli
