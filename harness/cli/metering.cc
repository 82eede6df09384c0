// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>

#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/metering/budget.h"
#include "harness/metering/transfer.h"

namespace dawnrig::cli {
namespace {

namespace fs = std::filesystem;

/// What every job of this command asks for.
struct Common {
  fs::path board, csv;
};

void add_common(CLI::App& command, Common& common, std::string& channel) {
  command.add_option("--board", common.board, "board profile")->required();
  command.add_option("--channel", channel, "sense channel, as the profile names it")->required();
  command.add_option("--csv", common.csv, "folder for the tables; units end the columns' names");
}

template <class Options>
void add_range(CLI::App& command, Options& options) {
  command.add_option("--from-degc", options.from_degc, "coldest the board gets")->capture_default_str();
  command.add_option("--to-degc", options.to_degc, "warmest")->capture_default_str();
  command.add_option("--adc-bits", options.bits, "of the converter")->capture_default_str();
}

void tell(const metering::Account& account, const Common& common) {
  std::fputs(metering::text_of(account).c_str(), stdout);
  if (common.csv.empty()) return;
  for (const fs::path& file : metering::write_csv(account, common.csv)) std::printf("%s\n", file.c_str());
}

void add_transfer(CLI::App& parent, Action& chosen) {
  struct Given {
    Common common;
    metering::TransferOptions options;
  };
  const auto given = std::make_shared<Given>();
  CLI::App* command = parent.add_subcommand(
      "transfer",
      "From the terminal to the pin to the code: range, step, bend, current, and what an offset diode really does.\n"
      "Example: dawnrig metering transfer --board board.textproto --channel battery --csv tables");
  add_common(*command, given->common, given->options.channel);
  add_range(*command, given->options);
  command->callback([given, &chosen] {
    chosen = [given] {
      tell(metering::transfer(profile::load_board(given->common.board), given->options), given->common);
      return kPass;
    };
  });
}

void add_budget(CLI::App& parent, Action& chosen) {
  struct Given {
    Common common;
    metering::BudgetOptions options;
  };
  const auto given = std::make_shared<Given>();
  CLI::App* command = parent.add_subcommand(
      "budget",
      "What every tolerance is worth at the terminal, by sum and by random draws, before and after calibration.\n"
      "Exit code 1: fewer than 99.7 % of boards hold what is demanded without calibration.\n"
      "Example: dawnrig metering budget --board board.textproto --channel battery --from-degc -10 --to-degc 40");
  add_common(*command, given->common, given->options.channel);
  add_range(*command, given->options);
  command->add_option("--draws", given->options.draws, "boards drawn at random")->capture_default_str();
  command->add_option("--seed", given->options.seed, "of the draws")->capture_default_str();
  command->add_option("--meter-frac", given->options.meter_frac, "half-width of the meter a calibration is made with")
      ->capture_default_str();
  command->add_option("--demand-frac", given->options.demand_frac, "what a reading may be off, of itself")
      ->capture_default_str();
  command->add_option("--demand-k", given->options.demand_k, "the same for a temperature")->capture_default_str();
  command->callback([given, &chosen] {
    chosen = [given] {
      const profile::BoardProfile board = profile::load_board(given->common.board);
      const metering::Budget budget = metering::budget_of(board, given->options);
      tell(metering::account_of(budget, board, given->options), given->common);
      return budget.holds(metering::Calibration::kNone) ? kPass : kFail;
    };
  });
}

}  // namespace

void add_metering(CLI::App& app, Action& chosen) {
  CLI::App* command =
      app.add_subcommand("metering",
                         "From code to volts: design, prove and calibrate the sense arithmetic of a board.\n"
                         "Example: dawnrig metering budget --board board.textproto --channel battery");
  command->require_subcommand(1);
  add_transfer(*command, chosen);
  add_budget(*command, chosen);
}

}  // namespace dawnrig::cli
