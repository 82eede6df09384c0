// Tests of the plant: a power stage on a panel and a lead-acid battery, in this plant and in a circuit simulator, side
// by side.
#pragma once

#include <string>
#include <vector>

#include "plant/circuit.h"

namespace dawnrig::plant {

/// A stage that switches at a fixed duty from rest; every load is a resistance. Cells and battery are at 25 degC, where
/// the figures of the panel hold as they stand.
struct SwitchingRun {
  CircuitParams params;
  double poa_wpm2{1000.0};
  double soc_frac{0.9};
  double frequency_hz{490.0};
  double duty_frac{0.5};
  int cycles{5};
  double load_step_s{1e9};      ///< when the loads are switched on; they are off before
  double longest_step_s{5e-7};  ///< of the simulator
};

/// One cycle: gate on, then off. Voltages of the battery's own terminals, its current, the panel's.
struct CycleFigures {
  double mean_terminal_v{}, end_on_terminal_v{}, end_off_terminal_v{};
  double end_on_input_v{}, end_off_input_v{};  ///< across the input capacitor
  double mean_battery_a{}, mean_panel_a{};
};

[[nodiscard]] std::vector<CycleFigures> by_plant(const SwitchingRun& run);
/// Empty, with a test failure, if the simulator did not finish.
[[nodiscard]] std::vector<CycleFigures> by_spice(const SwitchingRun& run);

/// The worst differences over all cycles; voltages per 12 V of battery, currents as a share of the larger of the mean
/// current and a thousandth of what the panel gives at most.
struct WorstMiss {
  double terminal_v{}, input_v{};
  double battery_frac{}, panel_frac{};
};
[[nodiscard]] WorstMiss worst_miss(const SwitchingRun& run);
[[nodiscard]] WorstMiss worse(const WorstMiss& a, const WorstMiss& b);

/// 2 mV per 12 V, and half a per cent of the mean currents.
void expect_close(const WorstMiss& miss, const std::string& where);
/// One line for the page that quotes it.
void print(const char* what, const WorstMiss& worst);
[[nodiscard]] std::string words(const SwitchingRun& run);

}  // namespace dawnrig::plant
