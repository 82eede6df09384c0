#include "plant/battery/battery.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::plant {
namespace {

constexpr double kGassingCellV = 2.23;
constexpr double kReferenceDegc = 25.0;
constexpr double kThermoneutralV = 1.48;  // of water: what a cell must have for its gas to take no heat from it
constexpr double kFadeSoc = 1e-4;         // the last 0.05 % of charge is five of these
constexpr double kFullyOpenSoc = 36.0 * kFadeSoc;  // exp(-36) is below rounding of 1
constexpr double kCeiling = 60.0;                  // of exponents; keeps a senseless state finite

// 1 - exp(-distance/kFadeSoc): how much of the current still moves the state of charge towards a bound.
double fade(double distance, AnchoredExp& scratch, double& slope) {
  if (distance > kFullyOpenSoc) {
    slope = 0.0;
    return 1.0;
  }
  const double e = scratch(-std::max(distance, 0.0) / kFadeSoc);
  slope = e / kFadeSoc;
  return 1.0 - e;
}

double held(double z) {
  return z > kCeiling ? kCeiling : z;
}

std::vector<OcvPoint> points_of(const LeadAcidParams& p) {
  return p.ocv.empty() ? std::vector<OcvPoint>{{0.0, p.cell_ocv_empty_v}, {1.0, p.cell_ocv_full_v}} : p.ocv;
}

}  // namespace

Battery::Battery(const BatteryParams& checked)
    : Battery{std::visit([](const auto& chemistry) { return Battery{chemistry}; }, checked)} {}

Battery::Battery(const LeadAcidParams& p)
    : cells_{p.cells},
      capacity_ah_{p.capacity_ah},
      curve_{points_of(p)},
      ocv_per_k_v_{p.cells * p.ocv_tempco_v_per_k},
      r_series_ohm_{p.r_series_ohm},
      r_series_rise_frac_{p.r_series_rise_frac},
      resistance_per_k_{p.resistance_per_k},
      r_fast_ohm_{p.r_fast_ohm},
      tau_fast_s_{p.tau_fast_s},
      r_slow_ohm_{p.r_slow_ohm},
      tau_slow_s_{p.tau_slow_s},
      gassing_reference_a_{p.capacity_ah / 100.0 * p.gassing_a_per_100ah},
      gassing_per_v_{p.gassing_per_v},
      gassing_per_k_{p.gassing_per_k},
      vented_v_{(1.0 - p.recombination_frac) * kThermoneutralV * p.cells},
      r_acceptance_ohm_{p.r_acceptance_ohm},
      acceptance_per_soc_{p.acceptance_per_soc},
      acceptance_per_k_{p.acceptance_per_k},
      r_exhaustion_ohm_{p.r_exhaustion_ohm},
      exhaustion_per_soc_{p.exhaustion_per_soc},
      exhaustion_per_k_{p.exhaustion_per_k},
      slow_share_frac_{p.slow_share_frac},
      self_discharge_per_s_{p.self_discharge_per_s},
      self_discharge_per_k_{p.self_discharge_per_k},
      heat_capacity_j_per_k_{p.heat_capacity_j_per_k},
      thermal_resistance_k_per_w_{p.thermal_resistance_k_per_w} {
  age(p.ageing);
}

Battery::Battery(const LiFePo4Params& p)
    : cells_{p.cells},
      capacity_ah_{p.capacity_ah},
      curve_{p.ocv},
      ocv_per_k_v_{p.cells * p.ocv_tempco_v_per_k},
      hysteresis_v_{p.cells * p.hysteresis_v},
      hysteresis_per_coulomb_{1.0 / (3600.0 * p.capacity_ah * p.hysteresis_soc_frac)},
      r_series_ohm_{p.r_series_ohm},
      r_series_rise_frac_{p.r_series_rise_frac},
      resistance_per_k_{p.resistance_per_k},
      r_fast_ohm_{p.r_fast_ohm},
      tau_fast_s_{p.tau_fast_s},
      r_slow_ohm_{p.r_slow_ohm},
      tau_slow_s_{p.tau_slow_s},
      r_acceptance_ohm_{0.0},
      acceptance_per_soc_{0.0},
      acceptance_per_k_{0.0},
      r_exhaustion_ohm_{0.0},
      exhaustion_per_soc_{0.0},
      exhaustion_per_k_{0.0},
      slow_share_frac_{0.0},
      self_discharge_per_s_{p.self_discharge_per_s},
      self_discharge_per_k_{p.self_discharge_per_k},
      heat_capacity_j_per_k_{p.heat_capacity_j_per_k},
      thermal_resistance_k_per_w_{p.thermal_resistance_k_per_w} {
  if (p.protection.fitted) protection_.emplace(p.protection);
  age(p.ageing);
}

void Battery::age(const Ageing& by) {
  r_series_ohm_ *= by.resistance_scale;
  r_fast_ohm_ *= by.resistance_scale;
  r_slow_ohm_ *= by.resistance_scale;
  r_acceptance_ohm_ *= by.acceptance_scale;
  r_exhaustion_ohm_ *= by.acceptance_scale;
  gassing_reference_a_ *= by.gassing_scale;
  capacity_ah_ *= by.capacity_scale;
  hysteresis_per_coulomb_ /= by.capacity_scale;
  cells_inverse_ = 1.0 / cells_;
  fast_rate_per_s_ = 1.0 / tau_fast_s_;
  slow_rate_per_s_ = 1.0 / tau_slow_s_;
  series_varies_ = r_series_rise_frac_ != 0.0 || resistance_per_k_ != 0.0;
  soc_per_coulomb_ = 1.0 / (3600.0 * capacity_ah_);
  smoothing_a2_ = capacity_ah_ * 1e-4 * capacity_ah_ * 1e-4;
}

SeriesOhm Battery::series(double soc_frac, double battery_degc) const {
  if (!series_varies_) return {r_series_ohm_, 0.0, 0.0};
  // Past full and empty as at full and empty: a state that an integrator tries must not have a negative resistance.
  const double missing = 1.0 - std::clamp(soc_frac, 0.0, 1.0);
  const double warm_ohm = r_series_ohm_ * std::exp(held(-resistance_per_k_ * (battery_degc - kReferenceDegc)));
  const double ohm = warm_ohm * (1.0 + r_series_rise_frac_ * missing);
  return {ohm, -warm_ohm * r_series_rise_frac_, -resistance_per_k_ * ohm};
}

double Battery::gassing_a(double inner_v, double battery_degc) const {
  const double z =
      gassing_per_v_ * (inner_v * cells_inverse_ - kGassingCellV) + gassing_per_k_ * (battery_degc - kReferenceDegc);
  return gassing_reference_a_ * std::exp(held(z));
}

inline Battery::Crowd Battery::crowd(double main_a, double soc_frac, double over_k, BatteryScratch& scratch) const {
  Crowd c;
  if (main_a > 0.0) {
    if (!(r_acceptance_ohm_ > 0.0)) return c;
    const double z = -acceptance_per_soc_ * (1.0 - soc_frac) - acceptance_per_k_ * over_k;
    c.ohm = r_acceptance_ohm_ * scratch.acceptance(held(z));
    c.per_soc = acceptance_per_soc_;
  } else {
    if (!(r_exhaustion_ohm_ > 0.0)) return c;
    const double z = -exhaustion_per_soc_ * soc_frac - exhaustion_per_k_ * over_k;
    c.ohm = r_exhaustion_ohm_ * scratch.exhaustion(held(z));
    c.per_soc = -exhaustion_per_soc_;
  }
  const double square = main_a * main_a;
  const double inverse = 1.0 / (square + smoothing_a2_);
  c.v = c.ohm * main_a * square * inverse;
  c.d_main = c.ohm * square * (square + 3.0 * smoothing_a2_) * inverse * inverse;
  return c;
}

BatteryPoint Battery::at(const BatteryState& x, double charge_a, double r_series_ohm, BatteryScratch& scratch) const {
  const double over_k = x.battery_degc - kReferenceDegc;
  const OcvCurve::Value cell = curve_.at(x.soc_frac);
  const double ocv_v = ocv_per_k_v_ * over_k + cells_ * cell.cell_v;
  const double polarised_v = hysteresis_v_ * x.hysteresis_frac + x.v_fast_v + x.v_slow_v;
  const double inner_v = ocv_v + polarised_v;
  double gas_a = 0.0;
  if (gassing_reference_a_ > 0.0) {
    const double z = gassing_per_v_ * (inner_v * cells_inverse_ - kGassingCellV) + gassing_per_k_ * over_k;
    gas_a = gassing_reference_a_ * scratch.gassing(held(z));
  }
  double self_a = 0.0;
  if (self_discharge_per_s_ > 0.0) {
    self_a = 3600.0 * capacity_ah_ * self_discharge_per_s_ * x.soc_frac *
             scratch.self_discharge(held(self_discharge_per_k_ * over_k));
  }
  const double main_a = charge_a - gas_a - self_a;
  const bool charging = main_a > 0.0;
  const Crowd c = crowd(main_a, x.soc_frac, over_k, scratch);
  const double g = resistance_per_k_ != 0.0 ? scratch.warmth(held(-resistance_per_k_ * over_k)) : 1.0;
  double stored_d_soc = 0.0;
  const double stored_frac = charging ? fade(1.0 - x.soc_frac, scratch.nearly_full, stored_d_soc)
                                      : fade(x.soc_frac, scratch.nearly_empty, stored_d_soc);
  const double past_a = main_a * (1.0 - stored_frac);
  const double turn_per_s = hysteresis_per_coulomb_ * main_a;
  return {
      .inner_v = inner_v,
      .inner_d_soc = cells_ * cell.d_soc,
      .gassing_a = gas_a,
      .main_a = main_a,
      .unstored_a = self_a + past_a,
      .fast_per_s = (g * r_fast_ohm_ * main_a + (1.0 - slow_share_frac_) * c.v - x.v_fast_v) * fast_rate_per_s_,
      .slow_per_s = (g * r_slow_ohm_ * main_a + slow_share_frac_ * c.v - x.v_slow_v) * slow_rate_per_s_,
      .soc_per_s = main_a * stored_frac * soc_per_coulomb_,
      .hysteresis_per_s = turn_per_s - std::abs(turn_per_s) * x.hysteresis_frac,
      .heating_w = r_series_ohm * charge_a * charge_a + main_a * polarised_v + gas_a * (inner_v - vented_v_) +
                   self_a * inner_v + (charging ? past_a * (ocv_v - vented_v_) : 0.0),
      .warmth_frac = g,
      .crowd_d_main = c.d_main,
      .crowd_d_soc = c.v * c.per_soc,
      .stored_frac = stored_frac,
      .stored_d_soc = stored_d_soc,
  };
}

BatterySlopes Battery::slopes(const BatteryPoint& q, double hysteresis_frac) const {
  const double turned = q.main_a > 0.0 ? hysteresis_frac : -hysteresis_frac;
  return {
      .gassing_d_inner = q.gassing_a * gassing_per_v_ * cells_inverse_,
      .gassing_d_degc = q.gassing_a * gassing_per_k_,
      .fast_d_main = fast_d_main(q),
      .fast_d_soc = (1.0 - slow_share_frac_) * q.crowd_d_soc * fast_rate_per_s_,
      .slow_d_main = (q.warmth_frac * r_slow_ohm_ + slow_share_frac_ * q.crowd_d_main) * slow_rate_per_s_,
      .slow_d_soc = slow_share_frac_ * q.crowd_d_soc * slow_rate_per_s_,
      .soc_d_main = soc_d_main(q),
      .soc_d_soc = -std::abs(q.main_a) * q.stored_d_soc * soc_per_coulomb_,
      .hysteresis_d_main = hysteresis_per_coulomb_ * (1.0 - turned),
      .hysteresis_d_hysteresis = -hysteresis_per_coulomb_ * std::abs(q.main_a),
  };
}

}  // namespace dawnrig::plant
