#include <algorithm>
#include <cmath>

#include "harness/characteristic/characteristic.h"
#include "harness/characteristic/sweep_internal.h"

namespace dawnrig::characteristic {
namespace {

using base::number_text;

constexpr double kCodes = 1024;

const profile::SenseChannel& channel_of(const profile::BoardProfile& board, const std::string& name) {
  const auto at = board.channel_index(name);
  if (at) return board.sense[*at];
  std::vector<std::string> names;
  for (const profile::SenseChannel& channel : board.sense) names.push_back(channel.name);
  throw base::BadInput(board.file, "has no sense channel '" + name + "'" + base::did_you_mean(name, names));
}

/// Where readings stop answering, or nothing if they answer all the way.
std::string saturation(const Branch& branch, std::size_t abscissa, std::size_t code, const std::string& unit) {
  const auto full = std::find_if(branch.rows.begin(), branch.rows.end(),
                                 [&](const std::vector<double>& row) { return row[code] >= kCodes - 1; });
  if (full == branch.rows.end()) return "";
  return branch.label + ": the converter is at its end from " + number_text((*full)[abscissa], 3) + " " + unit + " on";
}

}  // namespace

Characteristic sense_transfer(const profile::BoardProfile& board, const SenseSweep& sweep) {
  const profile::SenseChannel& channel = channel_of(board, sweep.channel);
  const bool temperature = channel.quantity == profile::Quantity::kBatteryTemperature;
  if (profile::is_current(channel.quantity)) {
    throw base::BadInput(board.file, "channel '" + channel.name +
                                         "' senses a current; this table is for voltages and "
                                         "temperatures");
  }
  if (temperature ? sweep.from_v || sweep.to_v : sweep.from_degc || sweep.to_degc) {
    throw base::BadInput(board.file, "channel '" + channel.name + "' senses a " +
                                         (temperature ? "temperature; give --from-degc and --to-degc"
                                                      : "voltage; give --from-v and --to-v"));
  }
  const double from = temperature ? sweep.from_degc.value_or(-20) : sweep.from_v.value_or(0);
  const double to = temperature ? sweep.to_degc.value_or(60) : sweep.to_v.value_or(1.2 * board.declared.over_voltage_v);
  const double supply_v = board.device.supply_v;
  const double reference_v = sweep.reference_v.value_or(supply_v);
  demand(temperature ? "from-degc" : "from-v", from, temperature ? -60 : 0, temperature ? 150 : 400);
  demand(temperature ? "to-degc" : "to-v", to, from + 1e-6, temperature ? 150 : 400);
  demand("board-degc", sweep.board_degc, -60, 150);
  demand("reference-v", reference_v, 0.1, 6);
  demand("points", sweep.points, 2, 100000);
  const std::string unit = temperature ? "°C" : "V";

  Characteristic table;
  table.title = "Sense channel '" + channel.name + "' of " + board.name + ", revision " + board.revision;
  table.columns = {{"board_degc", "board temperature, °C"},
                   temperature ? Column{"battery_degc", "battery temperature, °C", true}
                               : Column{"node_v", "sensed voltage, V", true},
                   {"pin_v", "voltage at the pin, V", true},
                   {"code_lsb", "converter code", true}};
  for (const double board_degc : sweep.board_degc) {
    Branch branch{"board at " + number_text(board_degc) + " °C", {}};
    for (int i = 0; i <= sweep.points; ++i) {
      const double sensed = from + (to - from) * i / sweep.points;
      const double pin_v = plant::resting_pin_v(channel.network, sensed, supply_v, board_degc);
      const double code = std::clamp(std::floor(pin_v / reference_v * kCodes), 0.0, kCodes - 1);
      branch.rows.push_back({board_degc, sensed, pin_v, code});
    }
    const std::string full = saturation(branch, 1, 3, unit);
    if (!full.empty()) table.remarks.push_back(full);
    table.branches.push_back(std::move(branch));
  }
  return table;
}

}  // namespace dawnrig::characteristic
