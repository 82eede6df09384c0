#include "harness/rig/plant_failure.h"

#include <cmath>

#include "harness/base/text.h"

namespace dawnrig::rig {
namespace {

std::string with_state(std::string text, const plant::CircuitState& state, const plant::Conditions& conditions) {
  using base::number_text;
  text += " after " + number_text(in_seconds(state.now)) + " s: bus " + number_text(state.bus_v) + " V, panel input " +
          number_text(state.input_v) + " V, inductor " + number_text(state.inductor_a) + " A, state of charge " +
          number_text(state.battery.soc_frac) + ", battery " + number_text(state.battery.battery_degc) +
          " degC, cells " + number_text(state.cell_degc) + " degC, sun " + number_text(conditions.sun.poa_wpm2) +
          " W/m2, ambient " + number_text(conditions.ambient_degc) + " degC, gate " +
          (conditions.gate_on ? "on" : "off") + ", load switch " + (conditions.load_switch_on ? "on" : "off");
  for (std::size_t i = 0; i < conditions.loads.size(); ++i) {
    const plant::Conditions::LoadSetting& load = conditions.loads[i];
    if (load.on) text += ", load[" + std::to_string(i) + "] at " + number_text(load.scale);
  }
  return text;
}

}  // namespace

std::string plant_failure(plant::AdvanceStatus status, const plant::CircuitState& state,
                          const plant::Conditions& conditions) {
  return with_state(status == plant::AdvanceStatus::kNotANumber ? "the plant left the real numbers"
                                                                : "the plant's equations did not converge",
                    state, conditions);
}

std::string plant_failure(const StepBudget::Spent& spent, const plant::CircuitState& state,
                          const plant::Conditions& conditions) {
  return with_state("the plant takes more than " + base::number_text(static_cast<double>(spent.most_per_s)) +
                        " steps a second, so this run would not end: something in it rings or chatters",
                    state, conditions);
}

std::string open_books(double residual_j, const plant::Books& books) {
  using base::number_text;
  constexpr double kLeastJ = 0.01;
  constexpr double kOpenFrac = 1e-3;
  const double turned_over_j = std::abs(books.panel_j) + std::abs(books.battery_in_j) + std::abs(books.loads_j) +
                               std::abs(books.stage_j) + std::abs(books.wiring_j) + std::abs(books.sense_j);
  if (std::abs(residual_j) <= kLeastJ + kOpenFrac * turned_over_j) return "";
  return "the plant's energy books do not close: of " + number_text(turned_over_j, 3) + " J turned over, " +
         number_text(residual_j, 3) + " J are nowhere; panel " + number_text(books.panel_j, 3) + " J, battery " +
         number_text(books.battery_in_j, 3) + " J, loads " + number_text(books.loads_j, 3) + " J, stage " +
         number_text(books.stage_j, 3) + " J, wiring " + number_text(books.wiring_j, 3) + " J";
}

}  // namespace dawnrig::rig
