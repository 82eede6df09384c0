// Plant, stage: a diode, alone or behind a resistance. May use plant/core only.
#pragma once

#include <string>

#include "plant/core/problems.h"
#include "plant/core/wright_omega.h"

namespace dawnrig::plant {

struct DiodeParams {
  double saturation_current_a{2e-6};
  double emission_coefficient{1.04};
  double series_resistance_ohm{0.012};
  bool follows_temperature{false};  ///< false: everything as at 25 degC, whatever the junction's temperature
  double energy_gap_ev{0.69};       ///< 0.69 for a Schottky barrier, 1.11 for silicon
  double saturation_exponent{2.0};  ///< 2 for a Schottky barrier, 3 for silicon
  void check(Problems& problems, const std::string& prefix) const;
};

/// A branch current and its slope against the voltage across it.
struct BranchPoint {
  double current_a{};
  double d_voltage{};
};

/// A diode and every resistance in series with it:
///
///     o--[diode]--[Rs + more]--o          current_a > 0 flows forward
///
///     u = n Vt ln(1 + I/Is) + (Rs + more) I          I tends to -Is in reverse
///     Vt = k T/q,  Is = Is(25 degC) (T/T25)^(xti/n) exp((T/T25 - 1) Eg/(n Vt)),  for one that follows temperature
///
/// Not modelled: reverse breakdown, surge, charge storage. A Schottky's leakage grows with reverse voltage beyond Is,
/// by its data sheet some fivefold up to its rating; here it does not. Sources: Shockley's equation with the series
/// resistance of the data sheet; the temperature law of Massobrio and Antognetti, "Semiconductor Device Modeling with
/// SPICE", 1993. Checked by bisection in tests/plant/series_pwm_test.cc and tests/plant/diode_test.cc.
class DiodeBranch {
 public:
  /// The resistances must not add up to zero.
  DiodeBranch(const DiodeParams& checked, double more_ohm, double junction_degc = 25.0);
  [[nodiscard]] BranchPoint at(double across_v, WrightOmega& omega) const {
    const double w = omega((across_v + ohm_ * saturation_a_) / ideality_v_ + log_b_over_a_);
    return {ideality_v_ * w / ohm_ - saturation_a_, w / ((1.0 + w) * ohm_)};
  }

 private:
  double ideality_v_;
  double saturation_a_;
  double ohm_;
  double log_b_over_a_;
};

}  // namespace dawnrig::plant
