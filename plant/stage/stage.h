// Plant, stage: what every power stage is described by, and which of the three it is. May use plant/core only.
#pragma once

#include <cstdint>
#include <optional>
#include <variant>

#include "plant/core/problems.h"
#include "plant/stage/diode.h"

namespace dawnrig::plant {

/// panel -- blocking diode -- switch -- battery.
struct SeriesPwmParams {};

/// The switch shorts the panel; the blocking diode leads from the panel to the battery.
struct ShuntPwmParams {};

/// What carries the inductor's current while the main switch is off.
enum class Freewheel : std::uint8_t {
  kDiode,
  kUntilZero,      ///< a transistor that its driver turns off when its current reaches zero
  kComplementary,  ///< a transistor that conducts whenever the main switch is not commanded to, either way
};

/// panel -- main switch -- inductor -- battery, with a second path from ground to where switch and inductor meet.
struct BuckParams {
  double inductance_henry{33e-6};
  double winding_ohm{0.02};
  double core_ohm{2e3};  ///< core loss, as a resistance across the inductor
  Freewheel freewheel{Freewheel::kDiode};
  double freewheel_ohm{0.01};  ///< on-resistance of the transistor, where there is one
  DiodeParams freewheel_diode{1e-9, 1.2, 0.01, false, 1.11, 3.0};  ///< the diode; or that transistor's body diode
  bool blocks_reverse{true};  ///< the blocking diode is fitted, in series with the main switch
  DiodeParams body_diode{1e-9, 1.2, 0.01, false, 1.11, 3.0};  ///< of the main switch; only without a blocking diode
};

/// Losses of the stage warm one heat sink, on which diodes and switch sit.
struct HeatSinkParams {
  double resistance_k_per_w{5.0};
  double heat_capacity_j_per_k{50.0};
};

struct StageParams {
  std::variant<SeriesPwmParams, ShuntPwmParams, BuckParams> topology;
  double input_capacitance_f{2.2e-6};
  double output_capacitance_f{220e-6};
  double switch_on_resistance_ohm{0.01};  ///< at 25 degC
  double switch_per_k{0.0};               ///< of the on-resistance at 25 degC, per kelvin
  DiodeParams blocking_diode;
  double quiescent_a{0.005};
  double max_bus_v{60.0};
  std::optional<HeatSinkParams> heat_sink;  ///< none: diodes and switch are at ambient temperature
  void check(Problems& problems) const;

  [[nodiscard]] double switch_ohm(double degc) const;
  /// Whether anything in the stage depends on its temperature.
  [[nodiscard]] bool temperature_matters() const;
};

}  // namespace dawnrig::plant
