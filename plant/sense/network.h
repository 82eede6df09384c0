#pragma once
#include <cstdint>
#include <variant>
#include "plant/core/problems.h"
namespace dawnrig::plant {
/// What a channel is wired to.
enum class SenseNode : std::uint8_t { kBus, kPanelInput, kBatteryTemperature };
/// node -- r_top --+-- r_bottom -- ground; capacitance across r_bottom; the pin at +.
struct DividerParams { double r_top_ohm{120e3}; double r_bottom_ohm{15e3}; double capacitance_f{100e-9}; };
/// node -- offset diode in reverse breakdown -- r_top --+-- r_bottom -- ground; capacitance across r_bottom.
struct OffsetDividerParams {
  double diode_v{15.0};            ///< at diode_test_a and 25 degC
  double diode_test_a{5e-3};
  double knee_v{0.05};             ///< V falls by this for each factor e of current below the test current
  double diode_series_ohm{30.0};
  double diode_tempco_v_per_k{0.01};
  double r_top_ohm{47e3};
  double r_bottom_ohm{15e3};
  double capacitance_f{100e-9};
};
/// supply -- r_pull_up --+-- thermistor -- ground; capacitance across the thermistor.
struct ThermistorInputParams {
  double r_pull_up_ohm{10e3};
  double r_25_ohm{10e3};
  double beta_k{3950.0};
  double capacitance_f{100e-9};
};
struct SenseParams {
  SenseNode node{SenseNode::kBus};
  std::variant<DividerParams, OffsetDividerParams, ThermistorInputParams> network;
  void check(Problems& problems) const;
};
/// The pin's resting voltage for a node voltage (or, for a thermistor, its temperature), clamped to the supply.
/// Solved as a network; used by the profile checker for saturation.
[[nodiscard]] double resting_pin_v(const SenseParams& params, double node_v_or_degc, double supply_v, double ambient_degc);
}  // namespace dawnrig::plant
