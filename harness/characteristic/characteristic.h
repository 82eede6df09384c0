// What a profile's parts do by themselves, worked out as tables: a day of sky, a panel's curve, a battery's charge, a
// sense network's transfer. For people who check their parameters, or hold reference figures against ours.
// Room: harness/characteristic. May use plant, harness/base, harness/profile and harness/scenario.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "harness/profile/profile.h"
#include "harness/scenario/stimulus.h"

namespace dawnrig::characteristic {

/// One curve: a row per point, a figure per column.
struct Branch {
  std::string label;
  std::vector<std::vector<double>> rows;
};

/// A column of the table, as the file names it (unit last) and as the picture labels it.
struct Column {
  std::string name;
  std::string label;
  bool pictured{false};  ///< over the first pictured column, which is the abscissa
};

struct Characteristic {
  std::string title;
  std::vector<Column> columns;
  std::vector<Branch> branches;
  std::vector<std::string> remarks;  ///< key figures, a line each
};

/// A header and a row per point of every branch; a figure that is no number leaves its place empty. Written whole or
/// not at all; throws base::BadInput for a file that cannot be written and base::RunFault for a full disk.
void write_csv(const Characteristic& table, const std::filesystem::path& file);

struct SkySweep {
  double from_s{0};
  std::optional<double> to_s;         ///< absent: the scenario's end
  double every_s{60};                 ///< a row
  std::optional<std::uint64_t> seed;  ///< instead of the scenario's own
};
/// The light and the weather that a scenario's timeline makes, walked as the rig walks it; nothing else of the timeline
/// acts. Rows show an instant, after what happens at it, and the mean of the light since the row before. Over a place,
/// the sun's apparent elevation and what the clear sky would give stand beside it. With a site: how much of the light
/// its sub-strings get, how warm its cells are, and what its panel could give at its best. Throws base::BadInput for a
/// sweep that is none, and for shade on a site that has no such sub-string.
[[nodiscard]] Characteristic sky_day(const scenario::Scenario& scenario, const profile::SiteProfile* site,
                                     const SkySweep& sweep);

struct PanelSweep {
  std::vector<double> poa_wpm2{1000};
  std::vector<double> cell_degc{25};
  int points{200};                   ///< from no voltage to open circuit
  std::vector<double> light_frac{};  ///< of the first sub-strings; those without a figure get full light
};
/// Current and power over voltage at the panel's own terminals, a branch per irradiance and temperature, with the key
/// points as remarks: every local maximum of the power among them. Throws base::BadInput for a sweep that is none, and
/// for shade on a panel that has no such sub-string.
[[nodiscard]] Characteristic panel_curve(const profile::SiteProfile& site, const PanelSweep& sweep);

struct BatterySweep {
  double current_a{10};                  ///< charging above zero
  std::optional<double> limit_v;         ///< a charge is held there, a discharge ends there; absent: no limit
  std::vector<double> battery_degc{25};  ///< held, as in a bath
  std::optional<double> soc_frac;        ///< at the start; absent: 0.1 for a charge, 1 otherwise
  double for_s{36000};                   ///< at the longest
  double every_s{30};                    ///< a row
  double tail_frac{0.02};                ///< a charge ends when its current has fallen to this share
};
/// A battery alone at a constant current, with a voltage limit: a branch per temperature. The battery's protection
/// board is not in it, nor its own warming. Throws base::BadInput for a run that is none.
[[nodiscard]] Characteristic battery_run(const profile::SiteProfile& site, const BatterySweep& sweep);

struct SenseSweep {
  std::string channel;  ///< as the profile names it
  /// Absent: zero, and a fifth above the over-voltage limit; of a panel, twice the nominal voltage.
  std::optional<double> from_v, to_v;
  std::optional<double> from_degc, to_degc;  ///< for a temperature; absent: -20 and 60
  /// For a current; absent: zero, and a fifth above the rated current. A battery's runs both ways.
  std::optional<double> from_a, to_a;
  std::vector<double> board_degc{25};
  std::optional<double> reference_v;  ///< of the converter; absent: the supply
  int points{200};
};
/// Resting pin voltage and converter code over what the channel senses, a branch per temperature of the board. Throws
/// base::BadInput for a channel that the board lacks and for a sweep that is none.
[[nodiscard]] Characteristic sense_transfer(const profile::BoardProfile& board, const SenseSweep& sweep);

}  // namespace dawnrig::characteristic
