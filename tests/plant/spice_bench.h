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
  double least_frac{1e-3};  ///< of the panel's light current: smaller mean currents are judged as if they were so large
};

/// The same at half duty, with 10 A that come after three cycles and a third.
[[nodiscard]] SwitchingRun with_a_load_step(SwitchingRun run, int cycles);

/// One cycle: gate on, then off. Voltages of the battery's own terminals, its current, the panel's.
struct CycleFigures {
  double mean_terminal_v{}, end_on_terminal_v{}, end_off_terminal_v{};
  double end_on_input_v{}, end_off_input_v{};  ///< across the input capacitor
  double mean_battery_a{}, mean_panel_a{};
};

[[nodiscard]] std::vector<CycleFigures> by_plant(const SwitchingRun& run);
/// Empty, with a test failure, if the simulator did not finish.
[[nodiscard]] std::vector<CycleFigures> by_spice(const SwitchingRun& run);

/// Every run held, in every cycle, to 2 mV per 12 V of battery and half a per cent of the mean currents; the worst
/// misses printed as one line, for the page that quotes it.
void hold(const char* what, const std::vector<SwitchingRun>& runs);

}  // namespace dawnrig::plant
