// Plant, stage: the series power stage of the charge controller. May use plant/core only.
#pragma once

#include "plant/core/problems.h"
#include "plant/core/wright_omega.h"

namespace dawnrig::plant {

struct DiodeParams {
  double saturation_current_a{2e-6};
  double emission_coefficient{1.04};
  double series_resistance_ohm{0.012};
};

struct SeriesPwmParams {
  double input_capacitance_f{2.2e-6};
  double output_capacitance_f{220e-6};
  double switch_on_resistance_ohm{0.01};
  DiodeParams blocking_diode;
  double quiescent_a{0.005};
  double max_bus_v{60.0};
  void check(Problems& problems) const;
};

/// A branch current and its slope against the voltage across it.
struct BranchPoint {
  double current_a{};
  double d_voltage{};
};

/// Blocking diode and closed switch in series, between the input and the bus:
///
///     input o--[diode]--[Rs + Ron]--o bus          current_a > 0 flows from input to bus
///
///     u = n Vt ln(1 + I/Is) + (Rs + Ron) I          I tends to -Is in reverse
///
/// Valid at a junction temperature of 25 degC. Not modelled: warming of the junction and its leakage when hot, reverse
/// breakdown, charge storage, the time the switch takes. An open switch carries nothing: the body diode of a single
/// transistor is behind the blocking diode. Source: Shockley's equation with the series resistance of the data sheet.
/// Checked by bisection in tests/plant/series_pwm_test.cc.
class BlockingBranch {
 public:
  explicit BlockingBranch(const SeriesPwmParams& checked);
  [[nodiscard]] BranchPoint at(double across_v, WrightOmega& omega) const;

 private:
  double saturation_a_;
  double ideality_v_;
  double ohm_;
  double log_b_over_a_;
};

}  // namespace dawnrig::plant
