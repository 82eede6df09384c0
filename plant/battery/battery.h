// Plant, battery: every chemistry, from its terminals inwards. May use plant/core only.
#pragma once

#include <optional>
#include <variant>

#include "plant/battery/lead_acid.h"
#include "plant/battery/lifepo4.h"
#include "plant/battery/ocv_curve.h"
#include "plant/battery/protection.h"
#include "plant/core/anchored_exp.h"
#include "plant/core/problems.h"

namespace dawnrig::plant {

using BatteryParams = std::variant<LeadAcidParams, LiFePo4Params>;

/// v_fast_v, v_slow_v: across the RC pairs, positive while charging. hysteresis_frac: -1 after much discharging, +1
/// after much charging.
struct BatteryState {
  double soc_frac{0.8};
  double v_fast_v{0.0};
  double v_slow_v{0.0};
  double battery_degc{25.0};
  double hysteresis_frac{0.0};
};

/// Rates of change for one terminal current.
struct BatteryPoint {
  double inner_v{};  ///< behind the series resistance
  double inner_d_soc{};
  double gassing_a{};
  double main_a{};      ///< what gas and self-discharge leave of the terminal current
  double unstored_a{};  ///< self-discharge, and what is pushed past full or drawn past empty
  double fast_per_s{}, slow_per_s{}, soc_per_s{}, hysteresis_per_s{}, heating_w{};
  double warmth_frac{};  ///< of the resistances, against 25 degC
  double crowd_d_main{}, crowd_d_soc{};
  double stored_frac{};  ///< of a further ampere: what changes the state of charge
  double stored_d_soc{};
};

/// What an implicit integrator needs beside them: slopes of the rates, d_main against main_a.
struct BatterySlopes {
  double gassing_d_inner{}, gassing_d_degc{};
  double fast_d_main{}, fast_d_soc{}, slow_d_main{}, slow_d_soc{};
  double soc_d_main{}, soc_d_soc{};
  double hysteresis_d_main{}, hysteresis_d_hysteresis{};
};

struct BatteryScratch {
  AnchoredExp gassing;
  AnchoredExp acceptance;
  AnchoredExp exhaustion;
  AnchoredExp nearly_full;
  AnchoredExp nearly_empty;
  AnchoredExp self_discharge;
  AnchoredExp warmth;
};

struct SeriesOhm {
  double ohm{};
  double d_soc{}, d_degc{};
};

/// One circuit for both chemistries; what one of them lacks is zero in it:
///
///     + o--[r_series]--+--[r_fast || c]--[r_slow || c]--( ocv + hysteresis )--o -       I > 0 charges
///                      +--[gassing]--[self-discharge]----------------------o
///
///     inner = cells (ocv(soc) + tempco (T - 25) + hysteresis_v h) + v_fast + v_slow
///     terminal = inner + r_series (1 + rise (1 - soc)) g I,        g = exp(-resistance_per_k (T - 25))
///     I_gas = capacity/100 Ah i_gas exp(cu (inner/cells - 2.23 V) + cT (T - 25))
///     I_self = capacity k exp(kT (T - 25)) soc,                    I_main = I - I_gas - I_self
///     crowd = charging:    r_acceptance exp(-acceptance_per_soc (1 - soc) - acceptance_per_k (T - 25))
///             discharging: r_exhaustion exp(-exhaustion_per_soc soc       - exhaustion_per_k (T - 25))
///     tau_fast v_fast' = r_fast g I_main + (1 - slow_share) crowd odd(I_main) - v_fast
///     tau_slow v_slow' = r_slow g I_main +      slow_share  crowd odd(I_main) - v_slow
///     soc' = I_main/capacity, fading out over the last 0.05 % before full (charging) or empty (discharging)
///     h' = (I_main - |I_main| h) / (hysteresis_soc capacity)
///     heat capacity T' = r_series I^2 + I_main (v_fast + v_slow + hysteresis) + I_self inner
///                        + I_gas (inner - w) + I_past_full (ocv - w) - (T - ambient)/thermal resistance
///
/// odd(I) = I^3/(I^2 + d^2) with d = capacity/10000 h: the current, smooth at zero, exact from 1 % of the ten-hour rate
/// on within 0.01 %. w = (1 - recombination) 1.48 V per cell leaves with the gas that is lost. What charges past full
/// is counted apart from the gas of the law. Sources, where it holds and what it leaves out: plant/README.md. Checked
/// in tests/plant/battery_*_test.cc and lead_acid_test.cc.
class Battery {
 public:
  explicit Battery(const BatteryParams& checked);
  explicit Battery(const LeadAcidParams& checked);
  explicit Battery(const LiFePo4Params& checked);

  /// At rest, without hysteresis.
  [[nodiscard]] double ocv_v(double soc_frac, double battery_degc) const {
    return ocv_per_k_v_ * (battery_degc - 25.0) + cells_ * curve_.at(soc_frac).cell_v;
  }
  [[nodiscard]] double gassing_a(double inner_v, double battery_degc) const;

  [[nodiscard]] double inner_v(const BatteryState& x) const {
    return ocv_v(x.soc_frac, x.battery_degc) + hysteresis_v_ * x.hysteresis_frac + x.v_fast_v + x.v_slow_v;
  }

  /// What the series resistance is now, of a battery in good order.
  [[nodiscard]] SeriesOhm series(double soc_frac, double battery_degc) const;
  [[nodiscard]] bool series_varies() const { return series_varies_; }

  /// Rates at terminal current charge_a; r_series_ohm is what the series resistance is now. heating_w is the loss
  /// alone.
  [[nodiscard]] BatteryPoint at(const BatteryState& x, double charge_a, double r_series_ohm,
                                BatteryScratch& scratch) const;

  [[nodiscard]] BatterySlopes slopes(const BatteryPoint& q, double hysteresis_frac) const;
  [[nodiscard]] double fast_d_main(const BatteryPoint& q) const {
    return (q.warmth_frac * r_fast_ohm_ + (1.0 - slow_share_frac_) * q.crowd_d_main) * fast_rate_per_s_;
  }
  [[nodiscard]] double soc_d_main(const BatteryPoint& q) const { return q.stored_frac * soc_per_coulomb_; }

  /// Its voltage over charge bends, so that steps that are long for all the rest may be too long for it.
  [[nodiscard]] bool curved() const { return !curve_.straight() || hysteresis_v_ > 0.0; }
  [[nodiscard]] double cells() const { return cells_; }
  [[nodiscard]] double capacity_ah() const { return capacity_ah_; }  ///< aged
  [[nodiscard]] double tau_fast_s() const { return tau_fast_s_; }
  [[nodiscard]] double tau_slow_s() const { return tau_slow_s_; }
  [[nodiscard]] double ocv_per_k_v() const { return ocv_per_k_v_; }
  [[nodiscard]] double hysteresis_v() const { return hysteresis_v_; }  ///< of the whole battery
  [[nodiscard]] double heat_capacity_j_per_k() const { return heat_capacity_j_per_k_; }
  [[nodiscard]] double thermal_resistance_k_per_w() const { return thermal_resistance_k_per_w_; }
  [[nodiscard]] const std::optional<Protection>& protection() const { return protection_; }

 private:
  /// What crowds at full plates while charging, and at empty ones while discharging.
  struct Crowd {
    double v{}, ohm{}, d_main{}, per_soc{};
  };
  [[nodiscard]] Crowd crowd(double main_a, double soc_frac, double over_k, BatteryScratch& scratch) const;
  void age(const Ageing& by);

  double cells_, capacity_ah_;
  OcvCurve curve_;
  double ocv_per_k_v_;
  double hysteresis_v_{0.0}, hysteresis_per_coulomb_{0.0};
  double r_series_ohm_, r_series_rise_frac_, resistance_per_k_;
  bool series_varies_{};
  double r_fast_ohm_, tau_fast_s_, r_slow_ohm_, tau_slow_s_;
  double gassing_reference_a_{0.0}, gassing_per_v_{0.0}, gassing_per_k_{0.0}, vented_v_{0.0};
  double r_acceptance_ohm_, acceptance_per_soc_, acceptance_per_k_;
  double r_exhaustion_ohm_, exhaustion_per_soc_, exhaustion_per_k_;
  double slow_share_frac_;
  double self_discharge_per_s_, self_discharge_per_k_;
  double heat_capacity_j_per_k_, thermal_resistance_k_per_w_;
  std::optional<Protection> protection_;
  double soc_per_coulomb_{}, smoothing_a2_{}, cells_inverse_{}, fast_rate_per_s_{}, slow_rate_per_s_{};
};

}  // namespace dawnrig::plant
