// Plant, battery: lead-acid, from its terminals inwards. May use plant/core only.
#pragma once

#include <variant>

#include "plant/core/anchored_exp.h"
#include "plant/core/problems.h"

namespace dawnrig::plant {

struct LeadAcidParams {
  double cells{12};
  double capacity_ah{200.0};
  double cell_ocv_empty_v{1.98};
  double cell_ocv_full_v{2.13};
  double ocv_tempco_v_per_k{0.0002};  ///< per cell
  double r_series_ohm{0.008};         ///< whole battery, as all resistances
  double r_fast_ohm{0.006};
  double tau_fast_s{1.0};
  double r_slow_ohm{0.03};
  double tau_slow_s{600.0};
  double gassing_a_per_100ah{0.02};
  double gassing_per_v{11.0};
  double gassing_per_k{0.06};
  double r_acceptance_ohm{0.3};  ///< added to r_fast_ohm while charging, times exp(-acceptance_per_soc * (1 - soc))
  double acceptance_per_soc{10.0};
  double heat_capacity_j_per_k{100e3};
  double thermal_resistance_k_per_w{0.5};
  void check(Problems& problems) const;
};

/// v_fast_v, v_slow_v: across the RC pairs, positive while charging.
struct BatteryState {
  double soc_frac{0.8};
  double v_fast_v{0.0};
  double v_slow_v{0.0};
  double battery_degc{25.0};
};

using BatteryParams = std::variant<LeadAcidParams>;

/// Rates of change for one terminal current, with the slopes that an implicit integrator needs.
struct LeadAcidPoint {
  double inner_v{};  ///< behind the series resistance
  double gassing_a{};
  double fast_per_s{}, slow_per_s{}, soc_per_s{}, heating_w{};
  double gassing_d_inner{}, gassing_d_degc{};
  double fast_d_main{}, fast_d_soc{};  ///< of fast_per_s, against the main current and the state of charge
  double soc_d_main{}, soc_d_soc{};
};

struct LeadAcidScratch {
  AnchoredExp gassing;
  AnchoredExp acceptance;
  AnchoredExp nearly_full;
  AnchoredExp nearly_empty;
};

/// Open-circuit source, two RC pairs and a gassing branch behind a series resistance:
///
///     + o--[r_series]--+--[r_fast || c]--[r_slow || c]--( ocv )--o -      I > 0 charges
///                      +--[gassing]-------------------------------o       I_main = I - I_gas
///
///     inner = ocv + v_fast + v_slow,      terminal = inner + r_series I
///     ocv = cells (empty + (full - empty) soc + tempco (T - 25))
///     I_gas = capacity/100 Ah i_gas exp(cu (inner/cells - 2.23 V) + cT (T - 25))
///     tau_fast v_fast' = r_fast I_main + r_acceptance exp(-acceptance_per_soc (1 - soc)) plus(I_main) - v_fast
///     tau_slow v_slow' = r_slow I_main - v_slow
///     soc' = I_main/capacity, fading out over the last 0.05 % before full (charging) or empty (discharging)
///     heat capacity T' = r_series I^2 + I_main (v_fast + v_slow) + I_gas inner - (T - ambient)/thermal resistance
///
/// plus(I) = I^3/(I^2 + d^2) with d = capacity/10000 h: the current while charging, smooth at zero, exact from 1 % of
/// the ten-hour rate on within 0.01 %. What charges past full is lost as heat. Valid for 5..100 % charge, up to about
/// 0.5 C, -20..60 degC. Not modelled: rate- and temperature-dependent capacity, the fall of voltage below empty,
/// resistance against charge and temperature, stratification, ageing, self-discharge other than by gassing; heat
/// ignores what the RC pairs hold for the moment. Sources: gassing law of Schiffer et al., J. Power Sources 168 (2007)
/// 66, with the inner voltage as the cell's voltage, as ohmic drop in plates and straps does not drive the gas; two RC
/// pairs are the usual equivalent circuit. Checked in tests/plant/lead_acid_test.cc.
class LeadAcid {
 public:
  explicit LeadAcid(const LeadAcidParams& checked);

  [[nodiscard]] double ocv_v(double soc_frac, double battery_degc) const {
    return p_.cells * (p_.cell_ocv_empty_v + p_.ocv_tempco_v_per_k * (battery_degc - 25.0)) + ocv_per_soc_v_ * soc_frac;
  }
  [[nodiscard]] double gassing_a(double inner_v, double battery_degc) const;

  [[nodiscard]] double inner_v(const BatteryState& x) const {
    return ocv_v(x.soc_frac, x.battery_degc) + x.v_fast_v + x.v_slow_v;
  }

  /// Rates at terminal current charge_a; r_series_ohm is what the series resistance is now. heating_w is the loss
  /// alone.
  [[nodiscard]] LeadAcidPoint at(const BatteryState& x, double charge_a, double r_series_ohm,
                                 LeadAcidScratch& scratch) const;

  [[nodiscard]] const LeadAcidParams& params() const { return p_; }
  [[nodiscard]] double ocv_per_soc_v() const { return ocv_per_soc_v_; }
  [[nodiscard]] double ocv_per_k_v() const { return p_.cells * p_.ocv_tempco_v_per_k; }

 private:
  LeadAcidParams p_;
  double ocv_per_soc_v_;
  double gassing_reference_a_;
  double soc_per_coulomb_;
  double smoothing_a2_;
};

}  // namespace dawnrig::plant
