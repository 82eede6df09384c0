// What the command can do, each with its options and its own help.
// Room: harness/cli, the top floor. Argument parsing and printing, nothing else.
#pragma once

#include <functional>

namespace CLI {
class App;
}

namespace dawnrig::cli {

/// What the arguments ask for; gives the exit code. Throws what the rooms below throw.
using Action = std::function<int()>;

/// Each adds one subcommand to `app` and, if the arguments turn out to name it, sets `chosen`, which must outlive
/// `app`.
void add_check(CLI::App& app, Action& chosen);
void add_run(CLI::App& app, Action& chosen);
void add_judge(CLI::App& app, Action& chosen);
void add_export(CLI::App& app, Action& chosen);
void add_bench(CLI::App& app, Action& chosen);
void add_characterise(CLI::App& app, Action& chosen);
void add_drift(CLI::App& app, Action& chosen);
void add_metering(CLI::App& app, Action& chosen);

}  // namespace dawnrig::cli
