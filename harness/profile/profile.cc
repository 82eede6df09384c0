#include "harness/profile/profile.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"

namespace dawnrig::profile {
namespace {

using base::number_text;

constexpr double kCellNominalV = 2;
constexpr double kStandardPoaWpm2 = 1000;
constexpr double kStandardDegc = 25;
constexpr double kColdDegc = -20;
constexpr double kHeadroomV = 1;  // to push any current through diode, switch and cables

double open_circuit_v(const plant::PanelParams& params, double cable_ohm, double cell_degc) {
  const plant::SingleDiodePanel panel(params, cable_ohm);
  plant::PanelScratch scratch;
  double below_v = 0;
  double above_v = 1;
  while (panel.at(above_v, kStandardPoaWpm2, cell_degc, scratch).current_a > 0 && above_v < 1e4) above_v *= 2;
  for (int i = 0; i < 60; ++i) {
    const double middle_v = (below_v + above_v) / 2;
    const bool flows_out = panel.at(middle_v, kStandardPoaWpm2, cell_degc, scratch).current_a > 0;
    (flows_out ? below_v : above_v) = middle_v;
  }
  return below_v;
}

// A shunt is a resistance of the branch whose current it senses.
void fit_shunt(Quantity quantity, double shunt_ohm, plant::CircuitParams& circuit) {
  if (quantity == Quantity::kLoadCurrent) circuit.load_switch_ohm += shunt_ohm;
  if (quantity == Quantity::kBatteryCurrent) circuit.battery_cable_ohm += shunt_ohm;
  if (quantity != Quantity::kChargeCurrent) return;
  if (auto* buck = std::get_if<plant::BuckParams>(&circuit.stage.topology)) {
    buck->winding_ohm += shunt_ohm;
  } else {
    circuit.stage.blocking_diode.series_resistance_ohm += shunt_ohm;
  }
}

}  // namespace

double Declared::absorption_v_at(double battery_degc) const {
  constexpr double kDeclaredAtDegc = 25;
  const double lowest_degc = compensation_lowest_degc.value_or(battery_degc);
  const double highest_degc = compensation_highest_degc.value_or(battery_degc);
  const double used_degc = std::min(std::max(battery_degc, lowest_degc), highest_degc);
  return absorption_v + compensation_v_per_k.value_or(0) * (used_degc - kDeclaredAtDegc);
}

const LifeCounter* Hooks::counter_of(LifeEvent event) const {
  const auto found = std::find_if(life_counters.begin(), life_counters.end(),
                                  [event](const LifeCounter& counter) { return counter.event == event; });
  return found == life_counters.end() ? nullptr : &*found;
}

std::vector<std::string> Hooks::texts_for(Purpose purpose) const {
  std::vector<std::string> texts;
  for (const Instruction& instruction : instructions) {
    if (instruction.purpose == purpose) texts.push_back(instruction.text);
  }
  return texts;
}

const SenseChannel* BoardProfile::channel_for(Quantity quantity) const {
  const auto found = std::find_if(sense.begin(), sense.end(),
                                  [&](const SenseChannel& channel) { return channel.quantity == quantity; });
  return found == sense.end() ? nullptr : &*found;
}

std::optional<std::size_t> BoardProfile::channel_index(std::string_view channel_name) const {
  for (std::size_t i = 0; i < sense.size(); ++i) {
    if (sense[i].name == channel_name) return i;
  }
  return std::nullopt;
}

double BoardProfile::reference_v(const SenseChannel& channel) const {
  switch (channel.reference) {
    case AdcReference::kSupply:
      break;
    case AdcReference::kArefPin:
      return device.aref_v.value_or(device.supply_v);
    case AdcReference::kBandGap:
      return device.internal_reference_v;
    case AdcReference::kBandGap2:
      return device.internal_reference_2_v;
  }
  return device.supply_v;
}

void check_together(const BoardProfile& board, const SiteProfile& site) {
  std::vector<base::Complaint> complaints;
  const auto complain = [&](const char* field, std::string message) {
    complaints.push_back({site.file, 0, 0, field, std::move(message)});
  };
  const std::string of_board = " of " + board.file;
  if (const auto* battery = std::get_if<plant::LeadAcidParams>(&site.battery)) {
    const double nominal_v = battery->cells * kCellNominalV;
    if (std::fabs(nominal_v - board.declared.nominal_v) > kCellNominalV / 2) {
      complain("battery.lead_acid.cells", "is " + number_text(battery->cells) + ", a battery of " +
                                              number_text(nominal_v) + " V, must fit nominal_v (" +
                                              number_text(board.declared.nominal_v) + ")" + of_board);
    }
  }
  if (const auto* battery = std::get_if<plant::LiFePo4Params>(&site.battery)) {
    // Four cells of 3.2 V stand in for six of 2 V.
    const double fitting = std::round(board.declared.nominal_v / 3.0);
    if (battery->cells != fitting) {
      complain("battery.lifepo4.cells", "is " + number_text(battery->cells) + ", must be " + number_text(fitting) +
                                            " for nominal_v (" + number_text(board.declared.nominal_v) + ")" +
                                            of_board);
    }
  }
  const char* source = site.array ? "panel.datasheet" : "panel.single_diode";
  const double usual_v = open_circuit_v(site.panel, site.panel_cable_ohm, kStandardDegc);
  if (usual_v < board.declared.absorption_v + kHeadroomV) {
    complain(source, "gives " + number_text(usual_v, 1) + " V open-circuit at 25 degC, must be " +
                         number_text(kHeadroomV) + " V above absorption_v (" +
                         number_text(board.declared.absorption_v) + ")" + of_board);
  }
  const double cold_v = open_circuit_v(site.panel, site.panel_cable_ohm, kColdDegc);
  if (!(cold_v < board.stage.max_bus_v)) {
    complain(source, "gives " + number_text(cold_v, 1) + " V open-circuit at -20 degC, must be below " + "max_bus_v (" +
                         number_text(board.stage.max_bus_v) + ")" + of_board);
  }
  if (site.panel_fuse && !(site.panel_fuse->carries_a > site.panel.light_current_a)) {
    complain("wiring.panel_fuse.carries_a", "is " + number_text(site.panel_fuse->carries_a) +
                                                ", must be above the panel's light_current_a (" +
                                                number_text(site.panel.light_current_a) + "): it would blow at noon");
  }
  // Each file is right by itself: what is left is the shunts, which add to branches of the stage and of the site.
  plant::Problems problems;
  circuit_of(board, site).check(problems);
  for (const auto& problem : problems.list()) {
    complain(problem.field.c_str(), problem.message + ", the shunts" + of_board + " included");
  }
  if (!complaints.empty()) throw base::BadInput(std::move(complaints));
}

void demand_substring(const SiteProfile& site, int substring) {
  if (!site.array) {
    throw base::BadInput(site.file,
                         "its panel is a single diode, which has no sub-strings to shade; give its data sheet");
  }
  const int count = site.array->series * site.array->strings;
  if (substring >= 0 && substring < count) return;
  throw base::BadInput(site.file, "no sub-string " + std::to_string(substring) + " in its panel, which has " +
                                      std::to_string(count) + ", counted from 0");
}

plant::CircuitParams circuit_of(const BoardProfile& board, const SiteProfile& site) {
  plant::CircuitParams circuit;
  circuit.panel = site.panel;
  circuit.array = site.array;
  circuit.panel_cable_ohm = site.panel_cable_ohm;
  circuit.battery_cable_ohm = site.battery_cable_ohm;
  circuit.cable_per_k = site.cable_per_k;
  circuit.battery_fuse = site.battery_fuse;
  circuit.panel_fuse = site.panel_fuse;
  circuit.stage = board.stage;
  circuit.battery = site.battery;
  circuit.load_switch_ohm = board.load_switch_ohm;
  for (const SiteLoad& load : site.loads) circuit.loads.push_back(load.params);
  for (const SenseChannel& channel : board.sense) {
    circuit.sense.push_back(channel.network);
    if (const auto* amplifier = std::get_if<plant::ShuntAmplifierParams>(&channel.network.network)) {
      fit_shunt(channel.quantity, amplifier->shunt_ohm, circuit);
    }
  }
  return circuit;
}

}  // namespace dawnrig::profile
