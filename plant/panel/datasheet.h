// Plant, panel: from the figures on a module's label to the five parameters. May use plant/core only.
#pragma once

#include <optional>

#include "plant/core/problems.h"
#include "plant/panel/single_diode.h"

namespace dawnrig::plant {

/// What a data sheet says of one module at 1000 W/m2 and 25 degC cell temperature.
struct DatasheetParams {
  double short_circuit_a{9.0};
  double open_circuit_v{22.0};
  double peak_a{8.5};  ///< at the maximum power point
  double peak_v{18.0};
  double short_circuit_tempco_a_per_k{0.004};
  double open_circuit_tempco_v_per_k{-0.07};
  int cells{36};  ///< in series
  void check(Problems& problems) const;
};

/// The five parameters of one module, and how far its curve is from the figures it was fitted to, each measured on the
/// curve itself.
struct DatasheetFit {
  PanelParams module;
  double short_circuit_miss_frac{};
  double open_circuit_miss_frac{};
  double peak_current_miss_frac{};
  double peak_voltage_miss_frac{};
  /// Not zero where no series and shunt resistance bend the curve as the four points ask and still give
  /// the slope over temperature.
  double open_circuit_tempco_miss_v_per_k{};
  double emission_coefficient{};  ///< n of one cell
};

/// Five conditions for five parameters: the curve goes through (0, Isc), (Vmp, Imp) and (Voc, 0), its power is
/// stationary at Vmp, and its open-circuit voltage moves with temperature as the label says.
///
/// For a given modified ideality a and series resistance Rs, the three points are linear in the other three parameters;
/// Rs is then found by bisection on the power's slope, and a by bisection on the temperature coefficient, both between
/// bounds (n of 0.7 to 2, Rs and the shunt not below zero). Where the temperature coefficient is out of reach, the
/// nearest a stands and the miss is told. Refused, with a reason added to `problems`: figures that no such curve passes
/// through, and a temperature coefficient missed by more than a third. Source of the five conditions: De Soto, Klein
/// and Beckman, Solar Energy 80 (2006) 78, after a public implementation. Checked in tests/plant/datasheet_test.cc. Not
/// for hot paths: some ten thousand exponentials.
[[nodiscard]] std::optional<DatasheetFit> fit_datasheet(const DatasheetParams& checked, Problems& problems);

/// A field of equal modules: `series` in each of `strings` parallel strings, as one source.
[[nodiscard]] PanelParams field_of(const PanelParams& module, int series, int strings);

}  // namespace dawnrig::plant
