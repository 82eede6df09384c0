// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <ostream>
#include <string>

#include "harness/base/atomic_file.h"
#include "harness/base/files.h"
#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/cli/metering_page.h"
#include "harness/metering/budget.h"
#include "harness/metering/calibration.h"
#include "harness/metering/recommend.h"
#include "harness/metering/sweep.h"
#include "harness/metering/transfer.h"

namespace dawnrig::cli {
namespace {

namespace fs = std::filesystem;

/// What every job of this command asks for.
struct Common {
  fs::path board, csv, page;
};

void add_common(CLI::App& command, Common& common, std::string& channel) {
  command.add_option("--board", common.board, "board profile")->required();
  command.add_option("--channel", channel, "sense channel, as the profile names it")->required();
  command.add_option("--csv", common.csv, "folder for the tables; units end the columns' names");
  command.add_option("--page", common.page, "HTML page with pictures, one file");
}

template <class Options>
void add_range(CLI::App& command, Options& options) {
  command.add_option("--from-degc", options.from_degc, "coldest the board gets")->capture_default_str();
  command.add_option("--to-degc", options.to_degc, "warmest")->capture_default_str();
  command.add_option("--adc-bits", options.bits, "of the converter")->capture_default_str();
}

void tell(const metering::Account& account, const Common& common) {
  std::fputs(metering::text_of(account).c_str(), stdout);
  if (!common.csv.empty()) {
    for (const fs::path& file : metering::write_csv(account, common.csv)) std::printf("%s\n", file.c_str());
  }
  if (common.page.empty()) return;
  write_page(account, common.page);
  std::printf("%s\n", common.page.c_str());
}

/// Leaves a file alone that holds the same already, so that nothing is built anew because of it.
void put(const std::string& text, const fs::path& file) {
  if (fs::is_regular_file(file) && base::read_text(file) == text) return;
  base::AtomicFile target{file};
  target.stream() << text;
  target.commit();
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

void add_arithmetic(CLI::App& parent, Action& chosen) {
  struct Given {
    Common common;
    metering::ArithmeticOptions options;
    fs::path header;
  };
  const auto given = std::make_shared<Given>();
  CLI::App* command = parent.add_subcommand(
      "arithmetic",
      "The best (sum * multiply + offset) >> shift in 8, 16 and 32 bits, proved over every code, with its cycles.\n"
      "Example: dawnrig metering arithmetic --board board.textproto --channel battery --count 0.01 --width-bits 16 "
      "--header battery_line.h");
  add_common(*command, given->common, given->options.channel);
  command->add_option("--count", given->options.count, "what one count of the result is, in volts (amperes)")
      ->check(CLI::IsMember({1.0, 0.1, 0.01, 0.001}))
      ->capture_default_str();
  command->add_option("--width-bits", given->options.width_bits, "of the header's arithmetic")
      ->check(CLI::IsMember({8, 16, 32}))
      ->capture_default_str();
  command->add_option("--within-k", given->options.within_k, "what a thermistor's table may be off")
      ->capture_default_str();
  command->add_option("--samples", given->options.samples, "codes that are added up; as the profile says unless told");
  command->add_option("--adc-bits", given->options.bits, "of the converter")->capture_default_str();
  command->add_option("--compiler", given->options.compiler, "that the cycles are measured with; '' measures none")
      ->capture_default_str();
  command->add_option("--header", given->header,
                      "the chosen line as a C header, and nothing else; a file that says so already is left alone");
  command->callback([given, &chosen] {
    chosen = [given] {
      const profile::BoardProfile board = profile::load_board(given->common.board);
      if (!given->header.empty()) {
        put(metering::recommended_header(board, given->options), given->header);
        return kPass;
      }
      tell(metering::recommend(board, given->options).account, given->common);
      return kPass;
    };
  });
}

void add_prove(CLI::App& parent, Action& chosen) {
  struct Given {
    Common common;
    metering::SweepOptions options;
    fs::path firmware;
  };
  const auto given = std::make_shared<Given>();
  CLI::App* command = parent.add_subcommand(
      "prove",
      "Try an unmodified firmware's arithmetic with every code, read back where hooks.reading of the profile says.\n"
      "Exit code 1: some code is bad.\n"
      "Example: dawnrig metering prove --firmware fw.elf --board board.textproto --channel battery");
  add_common(*command, given->common, given->options.channel);
  command->add_option("--firmware", given->firmware, "image under test, .elf or Intel .hex")->required();
  command->add_option("--every", given->options.every, "codes from one to the next")->capture_default_str();
  command->add_option("--limit-frac", given->options.limit_frac, "what a reading may be off beside one code")
      ->capture_default_str();
  command->add_option("--limit-k", given->options.limit_k, "the same for a temperature")->capture_default_str();
  command->add_option("--patience-s", given->options.patience_s, "how long a reading may take to come")
      ->capture_default_str();
  command->callback([given, &chosen] {
    chosen = [given] {
      const profile::BoardProfile board = profile::load_board(given->common.board);
      const device::Image image = device::load_image(given->firmware, board.device.part);
      const metering::Sweep sweep = metering::sweep(board, image, given->options);
      tell(metering::account_of(sweep, board, image, given->options), given->common);
      return sweep.findings.empty() ? kPass : kFail;
    };
  });
}

void add_calibrate(CLI::App& parent, Action& chosen) {
  struct Given {
    Common common;
    metering::CalibrationOptions options;
    std::vector<std::string> pairs;
    fs::path file;
  };
  const auto given = std::make_shared<Given>();
  CLI::App* command = parent.add_subcommand(
      "calibrate",
      "From readings beside a meter: what to correct, whether sound parts can read so, and which part if not.\n"
      "Exit code 1: parts within their tolerances cannot read so.\n"
      "Example: dawnrig metering calibrate --board board.textproto --channel battery --pair 23.02,23.11,24 "
      "--pair 28.80,28.93,24");
  add_common(*command, given->common, given->options.channel);
  command->add_option("--pair", given->pairs, "meter,reported or meter,reported,board_degc; as often as you have one");
  command->add_option("--pairs", given->file,
                      "file of them: columns meter_v, reported_v, board_degc (meter_a and so on for other channels)");
  command->add_option("--meter-frac", given->options.meter_frac, "half-width of the meter")->capture_default_str();
  command->add_option("--from-degc", given->options.from_degc, "coldest the board gets")->capture_default_str();
  command->add_option("--to-degc", given->options.to_degc, "warmest")->capture_default_str();
  command->callback([given, &chosen] {
    chosen = [given] {
      const profile::BoardProfile board = profile::load_board(given->common.board);
      const auto& channel = metering::channel_named(board, given->options.channel);
      std::vector<metering::Pair> pairs;
      if (!given->file.empty()) pairs = metering::read_pairs(given->file, metering::words_for(channel.quantity).suffix);
      for (const std::string& pair : given->pairs) pairs.push_back(metering::pair_of(pair));
      const metering::CalibrationResult result = metering::calibrate(board, pairs, given->options);
      tell(metering::account_of(result, board, given->options), given->common);
      return result.consistent ? kPass : kFail;
    };
  });
}

/// Everything that the files given allow, in one account.
struct Whole {
  Common common;
  std::string channel;
  fs::path firmware, pairs;
  metering::BudgetOptions budget;
  int every{1};
};

void append(metering::Account& whole, metering::Account part) {
  whole.title = part.title;
  for (metering::Section& section : part.sections) whole.sections.push_back(std::move(section));
}

int whole(const Whole& given) {
  const profile::BoardProfile board = profile::load_board(given.common.board);
  const profile::SenseChannel& channel = metering::channel_named(board, given.channel);
  metering::BudgetOptions options = given.budget;
  options.channel = given.channel;
  int code = kPass;
  metering::Account account;
  append(account, metering::transfer(board, {.channel = given.channel,
                                             .from_degc = options.from_degc,
                                             .to_degc = options.to_degc,
                                             .bits = options.bits}));
  const metering::Budget budget = metering::budget_of(board, options);
  if (!budget.holds(metering::Calibration::kNone)) code = kFail;
  append(account, metering::account_of(budget, board, options));
  const double count = profile::is_temperature(channel.quantity) ? 0.1 : 0.001;
  append(account, metering::recommend(board, {.channel = given.channel, .count = count, .bits = options.bits}).account);
  if (!given.firmware.empty()) {
    const metering::SweepOptions sweep{.channel = given.channel, .every = given.every};
    const device::Image image = device::load_image(given.firmware, board.device.part);
    const metering::Sweep result = metering::sweep(board, image, sweep);
    if (!result.findings.empty()) code = kFail;
    append(account, metering::account_of(result, board, image, sweep));
  }
  if (!given.pairs.empty()) {
    const metering::CalibrationOptions calibration{.channel = given.channel,
                                                   .from_degc = options.from_degc,
                                                   .to_degc = options.to_degc,
                                                   .meter_frac = options.meter_frac};
    const auto pairs = metering::read_pairs(given.pairs, metering::words_for(channel.quantity).suffix);
    const metering::CalibrationResult result = metering::calibrate(board, pairs, calibration);
    if (!result.consistent) code = kFail;
    append(account, metering::account_of(result, board, calibration));
  }
  account.lead = board.file + (given.firmware.empty() ? "" : ", " + given.firmware.string());
  tell(account, given.common);
  return code;
}

void add_whole(CLI::App& parent, Action& chosen) {
  const auto given = std::make_shared<Whole>();
  CLI::App* command = parent.add_subcommand(
      "all",
      "Transfer, budget and arithmetic of a channel in one page; with --firmware its proof, with --pairs a "
      "calibration.\n"
      "Exit code 1: the board does not hold what is demanded, or a code or a pair is bad.\n"
      "Example: dawnrig metering all --board board.textproto --channel battery --firmware fw.elf --page battery.html");
  add_common(*command, given->common, given->channel);
  add_range(*command, given->budget);
  command->add_option("--draws", given->budget.draws, "boards drawn at random")->capture_default_str();
  command->add_option("--seed", given->budget.seed, "of the draws")->capture_default_str();
  command->add_option("--demand-frac", given->budget.demand_frac, "what a reading may be off, of itself")
      ->capture_default_str();
  command->add_option("--firmware", given->firmware, "image whose arithmetic is tried with every code");
  command->add_option("--every", given->every, "codes from one to the next")->capture_default_str();
  command->add_option("--pairs", given->pairs, "file of readings beside a meter");
  command->callback([given, &chosen] { chosen = [given] { return whole(*given); }; });
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
  add_arithmetic(*command, chosen);
  add_prove(*command, chosen);
  add_calibrate(*command, chosen);
  add_whole(*command, chosen);
}

}  // namespace dawnrig::cli
