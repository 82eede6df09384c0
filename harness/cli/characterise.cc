// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <ostream>
#include <string>

#include "harness/base/atomic_file.h"
#include "harness/characteristic/characteristic.h"
#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/report/xy_picture.h"

namespace dawnrig::cli {
namespace {

namespace fs = std::filesystem;
using characteristic::Characteristic;

struct Outputs {
  fs::path csv, picture;
};

report::XyPicture picture_of(const Characteristic& table) {
  report::XyPicture picture{table.title, "", {}};
  std::size_t abscissa = table.columns.size();
  for (std::size_t c = 0; c < table.columns.size(); ++c) {
    if (!table.columns[c].pictured) continue;
    if (abscissa == table.columns.size()) {
      abscissa = c;
      picture.x_label = table.columns[c].label;
      continue;
    }
    report::XyPanel panel{table.columns[c].label, {}};
    for (const characteristic::Branch& branch : table.branches) {
      report::XyCurve curve{branch.label, {}, {}};
      for (const std::vector<double>& row : branch.rows) {
        curve.x.push_back(row[abscissa]);
        curve.y.push_back(row[c]);
      }
      panel.curves.push_back(std::move(curve));
    }
    picture.panels.push_back(std::move(panel));
  }
  return picture;
}

int tell(const Characteristic& table, const Outputs& outputs) {
  std::printf("%s\n", table.title.c_str());
  for (const std::string& remark : table.remarks) std::printf("  %s\n", remark.c_str());
  if (!outputs.csv.empty()) {
    characteristic::write_csv(table, outputs.csv);
    std::printf("%s\n", outputs.csv.c_str());
  }
  if (!outputs.picture.empty()) {
    base::AtomicFile file{outputs.picture};
    file.stream() << report::xy_svg(picture_of(table));
    file.commit();
    std::printf("%s\n", outputs.picture.c_str());
  }
  return kPass;
}

void add_outputs(CLI::App& command, Outputs& outputs) {
  command.add_option("--csv", outputs.csv, "the table, a header and a row per point; units end the columns' names");
  command.add_option("--picture", outputs.picture, "the curves, as SVG");
}

void add_panel(CLI::App& parent, Action& chosen) {
  struct Options {
    fs::path site;
    characteristic::PanelSweep sweep;
    Outputs outputs;
  };
  const auto given = std::make_shared<Options>();
  CLI::App* command = parent.add_subcommand(
      "panel",
      "Current and power over voltage, with the key points.\n"
      "Example: dawnrig characterise panel --site ridge.textproto --poa-wpm2 200,600,1000 --cell-degc 25 "
      "--picture panel.svg");
  command->add_option("--site", given->site, "site profile")->required();
  command->add_option("--poa-wpm2", given->sweep.poa_wpm2, "irradiances in the panel's plane")
      ->delimiter(',')
      ->capture_default_str();
  command->add_option("--cell-degc", given->sweep.cell_degc, "cell temperatures")
      ->delimiter(',')
      ->capture_default_str();
  command->add_option("--points", given->sweep.points, "per curve")->capture_default_str();
  add_outputs(*command, given->outputs);
  command->callback([given, &chosen] {
    chosen = [given] {
      return tell(characteristic::panel_curve(profile::load_site(given->site), given->sweep), given->outputs);
    };
  });
}

void add_battery(CLI::App& parent, Action& chosen) {
  struct Options {
    fs::path site;
    characteristic::BatterySweep sweep;
    Outputs outputs;
  };
  const auto given = std::make_shared<Options>();
  CLI::App* command = parent.add_subcommand(
      "battery",
      "Charge, discharge or rest of the battery alone, at a constant current with a voltage limit and held "
      "temperature.\n"
      "Example: dawnrig characterise battery --site ridge.textproto --current-a 20 --limit-v 28.8 --soc-frac 0.5 "
      "--picture charge.svg");
  command->add_option("--site", given->site, "site profile")->required();
  command->add_option("--current-a", given->sweep.current_a, "charging above zero, discharging below; 0 rests")
      ->capture_default_str();
  command->add_option("--limit-v", given->sweep.limit_v, "a charge is held there, a discharge ends there");
  command->add_option("--battery-degc", given->sweep.battery_degc, "temperatures, held")
      ->delimiter(',')
      ->capture_default_str();
  command->add_option("--soc-frac", given->sweep.soc_frac,
                      "state of charge at the start; 0.1 for a charge and 1 otherwise unless told");
  command->add_option("--for-s", given->sweep.for_s, "at the longest")->capture_default_str();
  command->add_option("--every-s", given->sweep.every_s, "a row")->capture_default_str();
  command->add_option("--tail-frac", given->sweep.tail_frac, "share of the current at which a charge ends")
      ->capture_default_str();
  add_outputs(*command, given->outputs);
  command->callback([given, &chosen] {
    chosen = [given] {
      return tell(characteristic::battery_run(profile::load_site(given->site), given->sweep), given->outputs);
    };
  });
}

void add_sense(CLI::App& parent, Action& chosen) {
  struct Options {
    fs::path board;
    characteristic::SenseSweep sweep;
    Outputs outputs;
  };
  const auto given = std::make_shared<Options>();
  CLI::App* command = parent.add_subcommand(
      "sense",
      "What a sense network makes of the voltage or temperature it is wired to: pin voltage and converter code.\n"
      "Example: dawnrig characterise sense --board board.textproto --channel battery --board-degc -20,25,60 "
      "--csv sense.csv");
  command->add_option("--board", given->board, "board profile")->required();
  command->add_option("--channel", given->sweep.channel, "sense channel, as the profile names it")->required();
  command->add_option("--from-v", given->sweep.from_v, "lowest sensed voltage; 0 unless told");
  command->add_option("--to-v", given->sweep.to_v, "highest; a fifth above the over-voltage limit unless told");
  command->add_option("--from-degc", given->sweep.from_degc, "lowest temperature of a thermistor; -20 unless told");
  command->add_option("--to-degc", given->sweep.to_degc, "highest; 60 unless told");
  command->add_option("--board-degc", given->sweep.board_degc, "temperatures of the board")
      ->delimiter(',')
      ->capture_default_str();
  command->add_option("--reference-v", given->sweep.reference_v, "of the converter; the supply unless told");
  command->add_option("--points", given->sweep.points, "per curve")->capture_default_str();
  add_outputs(*command, given->outputs);
  command->callback([given, &chosen] {
    chosen = [given] {
      return tell(characteristic::sense_transfer(profile::load_board(given->board), given->sweep), given->outputs);
    };
  });
}

}  // namespace

void add_characterise(CLI::App& app, Action& chosen) {
  CLI::App* command = app.add_subcommand(
      "characterise",
      "Work out what a profile's parts do by themselves, as CSV and as a picture.\n"
      "Example: dawnrig characterise panel --site ridge.textproto --csv panel.csv --picture panel.svg");
  command->require_subcommand(1);
  add_panel(*command, chosen);
  add_battery(*command, chosen);
  add_sense(*command, chosen);
}

}  // namespace dawnrig::cli
