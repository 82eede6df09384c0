#include "plant/panel/single_diode.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"
#include "plant/panel/silicon.h"

namespace dawnrig::plant {

void PanelParams::check(Problems& problems) const {
  check_range(problems, "light_current_a", light_current_a, {1e-3, 1000.0});
  check_range(problems, "saturation_current_a", saturation_current_a, {1e-30, 0.01});
  check_range(problems, "modified_ideality_v", modified_ideality_v, {0.01, 100.0});
  check_range(problems, "series_resistance_ohm", series_resistance_ohm, {0.0, 100.0});
  check_range(problems, "shunt_resistance_ohm", shunt_resistance_ohm, {0.1, 1e9});
  check_range(problems, "short_circuit_tempco_a_per_k", short_circuit_tempco_a_per_k, {-1.0, 1.0});
  check_range(problems, "noct_degc", noct_degc, {20.0, 80.0});
  if (!faiman) return;
  Problems own;
  faiman->check(own);
  add_under(problems, "faiman", own);
}

void FaimanParams::check(Problems& problems) const {
  check_range(problems, "still_wpm2_per_k", still_wpm2_per_k, {5.0, 100.0});
  check_range(problems, "wind_wpm2_per_k_per_m_per_s", wind_wpm2_per_k_per_m_per_s, {0.0, 50.0});
}

SingleDiodePanel::SingleDiodePanel(const PanelParams& checked, double cable_ohm)
    : p_{checked},
      series_ohm_{std::max(checked.series_resistance_ohm + cable_ohm, kLeastSeriesOhm)},
      series_s_{1.0 / series_ohm_},
      shunt_ref_s_{1.0 / checked.shunt_resistance_ohm},
      warming_k_per_wpm2_{(checked.noct_degc - 20.0) / 800.0},
      log_saturation_ref_{std::log(checked.saturation_current_a)},
      log_b_over_a_ref_{std::log(series_ohm_ * checked.saturation_current_a / checked.modified_ideality_v)} {}

void SingleDiodePanel::weather(double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
  PanelWeather& q = scratch.weather;
  q.poa_wpm2 = poa_wpm2;
  q.cell_degc = cell_degc;
  q.sun_frac = (poa_wpm2 > 0.0 ? poa_wpm2 : 0.0) / kReferenceWpm2;
  const double kelvin = cell_degc + 273.15;
  q.one_per_k = 1.0 / kelvin;
  const double log_ratio = scratch.kelvin_log(kelvin / kReferenceK);
  const double activation = kActivationK * (1.0 / kReferenceK - q.one_per_k);
  q.a_v = p_.modified_ideality_v * kelvin / kReferenceK;
  q.inverse_a = 1.0 / q.a_v;
  q.saturation_a = scratch.saturation(log_saturation_ref_ + 3.0 * log_ratio + activation);
  q.light_per_sun_a = p_.light_current_a + p_.short_circuit_tempco_a_per_k * (kelvin - kReferenceK);
  q.light_a = q.sun_frac * q.light_per_sun_a;
  q.shunt_s = q.sun_frac / p_.shunt_resistance_ohm;
  q.loading_frac = 1.0 + series_ohm_ * q.shunt_s;
  q.loading_inverse = 1.0 / q.loading_frac;
  q.log_b_over_a = log_b_over_a_ref_ + 2.0 * log_ratio + activation - scratch.shunt_log(q.loading_frac);
  q.saturation_per_k = q.saturation_a * q.one_per_k * (3.0 + kActivationK * q.one_per_k);
}

PanelPoint SingleDiodePanel::at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
  const PanelWeather& q = scratch.weather;
  if (!(q.poa_wpm2 == poa_wpm2 && q.cell_degc == cell_degc)) weather(poa_wpm2, cell_degc, scratch);

  // vd + b exp(vd/a) = c, whose exponential term is a w.
  const double c = (v + series_ohm_ * (q.light_a + q.saturation_a)) * q.loading_inverse;
  const double w = scratch.omega(c * q.inverse_a + q.log_b_over_a);
  const double vd = c - q.a_v * w;
  const double junction_s = w * q.loading_frac * series_s_;  // slope of the diode alone
  const double forward_a = q.a_v * junction_s;               // I0 exp(vd/a)
  const double inverse_den = q.loading_inverse / (1.0 + w);

  const double d_degc = q.sun_frac * p_.short_circuit_tempco_a_per_k -
                        q.saturation_per_k * (forward_a / q.saturation_a - 1.0) +
                        forward_a * vd * q.inverse_a * q.one_per_k;
  PanelPoint point;
  point.current_a = q.light_a + q.saturation_a - forward_a - q.shunt_s * vd;
  point.d_voltage = -(q.shunt_s + junction_s) * inverse_den;
  point.d_degc = d_degc * inverse_den;
  point.d_poa = (q.light_per_sun_a - vd * shunt_ref_s_) * inverse_den * (1.0 / kReferenceWpm2);
  return point;
}

double SingleDiodePanel::open_circuit_v(double poa_wpm2, double cell_degc) const {
  // The current falls ever faster with the voltage: Newton from below overshoots once, then comes down without fail.
  constexpr int kMostIterations = 100;
  PanelScratch scratch;
  double v = 0.0;
  for (int i = 0; i < kMostIterations; ++i) {
    const PanelPoint point = at(v, poa_wpm2, cell_degc, scratch);
    const double step = point.current_a / point.d_voltage;
    v -= step;
    if (!(std::abs(step) > 1e-9)) break;
  }
  return v;
}

}  // namespace dawnrig::plant
