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

/// What one kind of characteristic is asked for with.
template <class Sweep>
struct Given {
  fs::path file;  ///< the profile or scenario it is of
  fs::path site;  ///< a second one, where a kind has it
  Sweep sweep;
  Outputs outputs;
};

/// A subcommand of one kind: its file, its outputs and what works it out; the rest of its options is the caller's.
template <class Sweep, class Work>
CLI::App* add_kind(CLI::App& parent, Action& chosen, const std::shared_ptr<Given<Sweep>>& given, const char* name,
                   const std::string& help, const char* file_option, const char* file_help, Work work) {
  CLI::App* command = parent.add_subcommand(name, help);
  command->add_option(file_option, given->file, file_help)->required();
  command->callback([given, work, &chosen] { chosen = [given, work] { return tell(work(*given), given->outputs); }; });
  command->add_option("--csv", given->outputs.csv,
                      "the table, a header and a row per point; units end the columns' names");
  command->add_option("--picture", given->outputs.picture, "the curves, as SVG");
  return command;
}

template <class Number>
void figure(CLI::App& command, const char* option, Number& value, const char* help) {
  command.add_option(option, value, help)->capture_default_str();
}
void figures(CLI::App& command, const char* option, std::vector<double>& values, const char* help) {
  command.add_option(option, values, help)->delimiter(',')->capture_default_str();
}

void add_sky(CLI::App& parent, Action& chosen) {
  using Sky = Given<characteristic::SkySweep>;
  const auto given = std::make_shared<Sky>();
  CLI::App* command = add_kind(
      parent, chosen, given, "sky",
      "The light and the weather that a scenario makes over its day; the sun's elevation where it names a place.\n"
      "Example: dawnrig characterise sky --scenario day.textproto --site ridge.textproto --every-s 60 --csv day.csv "
      "--picture day.svg",
      "--scenario", "scenario file", [](const Sky& of) {
        const scenario::Scenario scenario = scenario::load_scenario(of.file);
        for (const std::string& note : scenario.notes) std::printf("note: %s\n", note.c_str());
        if (of.site.empty()) return characteristic::sky_day(scenario, nullptr, of.sweep);
        const profile::SiteProfile site = profile::load_site(of.site);
        return characteristic::sky_day(scenario, &site, of.sweep);
      });
  command->add_option("--site", given->site, "site profile: adds its shade, cell temperature and best power");
  figure(*command, "--from-s", given->sweep.from_s, "since power-up");
  command->add_option("--to-s", given->sweep.to_s, "the scenario's end unless told");
  figure(*command, "--every-s", given->sweep.every_s, "a row");
  command->add_option("--seed", given->sweep.seed, "instead of the scenario's own; broken clouds are drawn from it");
}

void add_panel(CLI::App& parent, Action& chosen) {
  using Panel = Given<characteristic::PanelSweep>;
  const auto given = std::make_shared<Panel>();
  CLI::App* command = add_kind(
      parent, chosen, given, "panel",
      "Current and power over voltage, with the key points; in parts of the light where sub-strings are shaded.\n"
      "Example: dawnrig characterise panel --site ridge.textproto --poa-wpm2 200,600,1000 --cell-degc 25 "
      "--picture panel.svg",
      "--site", "site profile",
      [](const Panel& of) { return characteristic::panel_curve(profile::load_site(of.file), of.sweep); });
  figures(*command, "--poa-wpm2", given->sweep.poa_wpm2, "irradiances in the panel's plane");
  figures(*command, "--cell-degc", given->sweep.cell_degc, "cell temperatures");
  figures(*command, "--light-frac", given->sweep.light_frac,
          "shares of the light on sub-strings 0, 1, ...; the rest gets all of it");
  figure(*command, "--points", given->sweep.points, "per curve");
}

void add_battery(CLI::App& parent, Action& chosen) {
  using Battery = Given<characteristic::BatterySweep>;
  const auto given = std::make_shared<Battery>();
  characteristic::BatterySweep& sweep = given->sweep;
  CLI::App* command = add_kind(
      parent, chosen, given, "battery",
      "Charge, discharge or rest of the battery alone, at a constant current with a voltage limit and held "
      "temperature.\n"
      "Example: dawnrig characterise battery --site ridge.textproto --current-a 20 --limit-v 28.8 --soc-frac 0.5 "
      "--picture charge.svg",
      "--site", "site profile",
      [](const Battery& of) { return characteristic::battery_run(profile::load_site(of.file), of.sweep); });
  figure(*command, "--current-a", sweep.current_a, "charging above zero, discharging below; 0 rests");
  command->add_option("--limit-v", sweep.limit_v, "a charge is held there, a discharge ends there");
  figures(*command, "--battery-degc", sweep.battery_degc, "temperatures, held");
  command->add_option("--soc-frac", sweep.soc_frac,
                      "state of charge at the start; 0.1 for a charge and 1 otherwise unless told");
  figure(*command, "--for-s", sweep.for_s, "at the longest");
  figure(*command, "--every-s", sweep.every_s, "a row");
  figure(*command, "--tail-frac", sweep.tail_frac, "share of the current at which a charge ends");
}

void add_sense(CLI::App& parent, Action& chosen) {
  using Sense = Given<characteristic::SenseSweep>;
  const auto given = std::make_shared<Sense>();
  characteristic::SenseSweep& sweep = given->sweep;
  CLI::App* command = add_kind(
      parent, chosen, given, "sense",
      "What a sense network makes of the voltage, temperature or current it is wired to: pin voltage and converter "
      "code.\n"
      "Example: dawnrig characterise sense --board board.textproto --channel battery --board-degc -20,25,60 "
      "--csv sense.csv",
      "--board", "board profile",
      [](const Sense& of) { return characteristic::sense_transfer(profile::load_board(of.file), of.sweep); });
  command->add_option("--channel", sweep.channel, "sense channel, as the profile names it")->required();
  command->add_option("--from-v", sweep.from_v, "lowest sensed voltage; 0 unless told");
  command->add_option(
      "--to-v", sweep.to_v,
      "highest; a fifth above the over-voltage limit unless told, for a panel twice the nominal voltage");
  command->add_option("--from-degc", sweep.from_degc, "lowest temperature of a thermistor; -20 unless told");
  command->add_option("--to-degc", sweep.to_degc, "highest; 60 unless told");
  command->add_option("--from-a", sweep.from_a,
                      "lowest current of a shunt; 0 unless told, for a battery the highest the other way");
  command->add_option("--to-a", sweep.to_a, "highest; a fifth above the rated current unless told");
  figures(*command, "--board-degc", sweep.board_degc, "temperatures of the board");
  command->add_option("--reference-v", sweep.reference_v, "of the converter; the supply unless told");
  figure(*command, "--points", sweep.points, "per curve");
}

}  // namespace

void add_characterise(CLI::App& app, Action& chosen) {
  CLI::App* command = app.add_subcommand(
      "characterise",
      "Work out what a scenario's sky and a profile's parts do by themselves, as CSV and as a picture.\n"
      "Example: dawnrig characterise panel --site ridge.textproto --csv panel.csv --picture panel.svg");
  command->require_subcommand(1);
  add_sky(*command, chosen);
  add_panel(*command, chosen);
  add_battery(*command, chosen);
  add_sense(*command, chosen);
}

}  // namespace dawnrig::cli
