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
std::string saturation(const Branch& branch, std::size_t abscissa, std::size_t code, const char* unit) {
  const auto full = std::find_if(branch.rows.begin(), branch.rows.end(),
                                 [&](const std::vector<double>& row) { return row[code] >= kCodes - 1; });
  if (full == branch.rows.end()) return "";
  return branch.label + ": the converter is at its end from " + number_text((*full)[abscissa], 3) + " " + unit + " on";
}

/// What a channel senses: how its abscissa is called, and from where to where it goes.
struct Sensed {
  const char* suffix;  ///< of the options
  const char* unit;
  Column column;
  double lowest, highest;  ///< that an option may say
  std::optional<double> from, to;
  double usual_from;
  std::optional<double> usual_to;
};

std::optional<double> a_fifth_above(const std::optional<double>& rated_a) {
  if (!rated_a) return std::nullopt;
  return 1.2 * *rated_a;
}

Sensed sensed_by(const profile::BoardProfile& board, const profile::SenseChannel& channel, const SenseSweep& sweep) {
  const profile::Declared& declared = board.declared;
  const auto volts = [&](double usual_to_v) -> Sensed {
    return {"v", "V", {"node_v", "sensed voltage, V", true}, 0, 400, sweep.from_v, sweep.to_v, 0, usual_to_v};
  };
  const auto amperes = [&](const char* label, std::optional<double> usual_from_a, std::optional<double> usual_to_a) {
    return Sensed{"a",          "A",        {"sensed_a", label, true}, -1e4,      1e4,
                  sweep.from_a, sweep.to_a, usual_from_a.value_or(0),  usual_to_a};
  };
  switch (channel.quantity) {
    case profile::Quantity::kBatteryVoltage:
      return volts(1.2 * declared.over_voltage_v);
    case profile::Quantity::kPanelVoltage:
      return volts(2 * declared.nominal_v);
    case profile::Quantity::kBatteryTemperature:
      break;
    case profile::Quantity::kHeatSinkTemperature:
      return {"degc",        "°C", {"heat_sink_degc", "heat sink temperature, °C", true},
              -60,           150,  sweep.from_degc,
              sweep.to_degc, -20,  120.0};
    case profile::Quantity::kChargeCurrent:
      return amperes("current out of the stage, A", std::nullopt, a_fifth_above(declared.rated_charge_a));
    case profile::Quantity::kLoadCurrent:
      return amperes("current into the loads, A", std::nullopt, a_fifth_above(declared.rated_load_a));
    case profile::Quantity::kBatteryCurrent: {
      std::optional<double> most_a = a_fifth_above(declared.rated_charge_a);
      std::optional<double> least_a =
          a_fifth_above(declared.rated_load_a ? declared.rated_load_a : declared.rated_charge_a);
      if (least_a) least_a = -*least_a;
      return amperes("current into the battery, A", least_a, most_a);
    }
  }
  return {"degc", "°C", {"battery_degc", "battery temperature, °C", true}, -60, 150, sweep.from_degc, sweep.to_degc,
          -20,    60.0};
}

/// Refuses the ends of another quantity's range, and those that are none.
Sensed range_of(const profile::BoardProfile& board, const profile::SenseChannel& channel, const SenseSweep& sweep) {
  Sensed sensed = sensed_by(board, channel, sweep);
  const std::string suffix = sensed.suffix;
  const bool others = (suffix != "v" && (sweep.from_v || sweep.to_v)) ||
                      (suffix != "degc" && (sweep.from_degc || sweep.to_degc)) ||
                      (suffix != "a" && (sweep.from_a || sweep.to_a));
  if (others) {
    throw base::BadInput(board.file, "channel '" + channel.name + "' senses " +
                                         (suffix == "v"   ? "a voltage"
                                          : suffix == "a" ? "a current"
                                                          : "a temperature") +
                                         "; give --from-" + suffix + " and --to-" + suffix);
  }
  if (!sensed.from) sensed.from = sensed.usual_from;
  if (!sensed.to) sensed.to = sensed.usual_to;
  if (!sensed.to) {
    throw base::BadInput(board.file, "declares no rated current for channel '" + channel.name + "'; give --to-a");
  }
  demand("from-" + suffix, *sensed.from, sensed.lowest, sensed.highest);
  demand("to-" + suffix, *sensed.to, *sensed.from + 1e-6, sensed.highest);
  return sensed;
}

}  // namespace

Characteristic sense_transfer(const profile::BoardProfile& board, const SenseSweep& sweep) {
  const profile::SenseChannel& channel = channel_of(board, sweep.channel);
  const Sensed sensed = range_of(board, channel, sweep);
  const double from = *sensed.from;
  const double to = *sensed.to;
  const double supply_v = board.device.supply_v;
  const double reference_v = sweep.reference_v.value_or(supply_v);
  demand("board-degc", sweep.board_degc, -60, 150);
  demand("reference-v", reference_v, 0.1, 6);
  demand("points", sweep.points, 2, 100000);

  Characteristic table;
  table.title = "Sense channel '" + channel.name + "' of " + board.name + ", revision " + board.revision;
  table.columns = {{"board_degc", "board temperature, °C"},
                   sensed.column,
                   {"pin_v", "voltage at the pin, V", true},
                   {"code_lsb", "converter code", true}};
  for (const double board_degc : sweep.board_degc) {
    Branch branch{"board at " + number_text(board_degc) + " °C", {}};
    for (int i = 0; i <= sweep.points; ++i) {
      const double at = from + (to - from) * i / sweep.points;
      const double pin_v = plant::resting_pin_v(channel.network, at, supply_v, board_degc);
      const double code = std::clamp(std::floor(pin_v / reference_v * kCodes), 0.0, kCodes - 1);
      branch.rows.push_back({board_degc, at, pin_v, code});
    }
    const std::string full = saturation(branch, 1, 3, sensed.unit);
    if (!full.empty()) table.remarks.push_back(full);
    table.branches.push_back(std::move(branch));
  }
  return table;
}

}  // namespace dawnrig::characteristic
