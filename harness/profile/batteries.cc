#include <initializer_list>
#include <vector>

#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/site.pb.h"

namespace dawnrig::profile {
namespace {

constexpr double kMonthS = 30.0 * 86400.0;

// What stood in a file before there were kinds, and what it meant where it did not say.
plant::LeadAcidParams plain_lead_acid(double cells, double capacity_ah) {
  plant::LeadAcidParams params;
  params.cells = cells;
  params.capacity_ah = capacity_ah;
  params.r_acceptance_ohm = 0;
  // 900 J/K per kg, at 3 kg for every 10 Ah of six cells: lead, acid and case together.
  params.heat_capacity_j_per_k = 900 * 3 * capacity_ah / 10 * cells / 6;
  return params;
}

plant::LeadAcidParams usual_or_plain(const proto::LeadAcid& written) {
  const double cells = written.cells().value();
  const double capacity_ah = written.capacity_ah().value();
  switch (written.kind()) {
    case proto::FLOODED:
      return plant::usual_lead_acid(plant::LeadAcidKind::kFlooded, cells, capacity_ah);
    case proto::AGM:
      return plant::usual_lead_acid(plant::LeadAcidKind::kAgm, cells, capacity_ah);
    case proto::GEL:
      return plant::usual_lead_acid(plant::LeadAcidKind::kGel, cells, capacity_ah);
    default:
      return plain_lead_acid(cells, capacity_ah);
  }
}

void take(double& field, bool has, const proto::Parameter& written) {
  if (has) field = written.value();
}

template <class Points>
void take_ocv(std::vector<plant::OcvPoint>& points, const Points& written) {
  if (written.empty()) return;
  points.clear();
  for (const proto::OcvPoint& point : written) points.push_back({point.soc_frac(), point.cell_v()});
}

plant::Ageing ageing(const proto::Ageing& written) {
  plant::Ageing ageing;
  take(ageing.resistance_scale, written.has_resistance_scale(), written.resistance_scale());
  take(ageing.capacity_scale, written.has_capacity_scale(), written.capacity_scale());
  take(ageing.acceptance_scale, written.has_acceptance_scale(), written.acceptance_scale());
  take(ageing.gassing_scale, written.has_gassing_scale(), written.gassing_scale());
  return ageing;
}

// What both chemistries have, under the same names.
template <class Params, class Written>
void take_common(Params& params, const Written& written) {
  take_ocv(params.ocv, written.ocv());
  take(params.ocv_tempco_v_per_k, written.has_ocv_tempco_v_per_k(), written.ocv_tempco_v_per_k());
  take(params.r_series_ohm, written.has_r_series_ohm(), written.r_series_ohm());
  take(params.r_series_rise_frac, written.has_r_series_rise_frac(), written.r_series_rise_frac());
  take(params.r_fast_ohm, written.has_r_fast_ohm(), written.r_fast_ohm());
  take(params.tau_fast_s, written.has_tau_fast_s(), written.tau_fast_s());
  take(params.r_slow_ohm, written.has_r_slow_ohm(), written.r_slow_ohm());
  take(params.tau_slow_s, written.has_tau_slow_s(), written.tau_slow_s());
  take(params.resistance_per_k, written.has_resistance_per_k(), written.resistance_per_k());
  take(params.heat_capacity_j_per_k, written.has_heat_capacity_j_per_k(), written.heat_capacity_j_per_k());
  take(params.thermal_resistance_k_per_w, written.has_thermal_resistance_k_per_w(),
       written.thermal_resistance_k_per_w());
  if (written.has_self_discharge_frac_per_month()) {
    params.self_discharge_per_s = written.self_discharge_frac_per_month().value() / kMonthS;
  }
  params.ageing = ageing(written.ageing());
}

plant::LeadAcidParams lead_acid_params(const proto::LeadAcid& written) {
  plant::LeadAcidParams params = usual_or_plain(written);
  // Two voltages in the file are a straight line, whatever curve the kind has.
  if (written.has_cell_ocv_empty_v() && written.has_cell_ocv_full_v()) params.ocv.clear();
  take(params.cell_ocv_empty_v, written.has_cell_ocv_empty_v(), written.cell_ocv_empty_v());
  take(params.cell_ocv_full_v, written.has_cell_ocv_full_v(), written.cell_ocv_full_v());
  take_common(params, written);
  take(params.gassing_a_per_100ah, written.has_gassing_a_per_100ah(), written.gassing_a_per_100ah());
  take(params.gassing_per_v, written.has_gassing_per_v(), written.gassing_per_v());
  take(params.gassing_per_k, written.has_gassing_per_k(), written.gassing_per_k());
  take(params.recombination_frac, written.has_recombination_frac(), written.recombination_frac());
  take(params.r_acceptance_ohm, written.has_r_acceptance_ohm(), written.r_acceptance_ohm());
  take(params.acceptance_per_soc, written.has_acceptance_per_soc(), written.acceptance_per_soc());
  take(params.acceptance_per_k, written.has_acceptance_per_k(), written.acceptance_per_k());
  take(params.r_exhaustion_ohm, written.has_r_exhaustion_ohm(), written.r_exhaustion_ohm());
  take(params.exhaustion_per_soc, written.has_exhaustion_per_soc(), written.exhaustion_per_soc());
  take(params.exhaustion_per_k, written.has_exhaustion_per_k(), written.exhaustion_per_k());
  take(params.slow_share_frac, written.has_slow_share_frac(), written.slow_share_frac());
  return params;
}

plant::ProtectionParams protection(const proto::Protection& written) {
  plant::ProtectionParams params;
  take(params.high_cell_v, written.has_high_cell_v(), written.high_cell_v());
  take(params.high_release_cell_v, written.has_high_release_cell_v(), written.high_release_cell_v());
  take(params.high_delay_s, written.has_high_delay_s(), written.high_delay_s());
  take(params.low_cell_v, written.has_low_cell_v(), written.low_cell_v());
  take(params.low_release_cell_v, written.has_low_release_cell_v(), written.low_release_cell_v());
  take(params.low_delay_s, written.has_low_delay_s(), written.low_delay_s());
  take(params.cold_charge_degc, written.has_cold_charge_degc(), written.cold_charge_degc());
  take(params.cold_release_degc, written.has_cold_release_degc(), written.cold_release_degc());
  take(params.hot_degc, written.has_hot_degc(), written.hot_degc());
  take(params.hot_release_degc, written.has_hot_release_degc(), written.hot_release_degc());
  take(params.temperature_delay_s, written.has_temperature_delay_s(), written.temperature_delay_s());
  take(params.release_delay_s, written.has_release_delay_s(), written.release_delay_s());
  return params;
}

plant::LiFePo4Params lifepo4_params(const proto::LiFePo4& written) {
  plant::LiFePo4Params params = plant::usual_lifepo4(written.cells().value(), written.capacity_ah().value());
  take_common(params, written);
  take(params.hysteresis_v, written.has_hysteresis_v(), written.hysteresis_v());
  take(params.hysteresis_soc_frac, written.has_hysteresis_soc_frac(), written.hysteresis_soc_frac());
  params.protection = protection(written.protection());
  params.protection.fitted = !written.without_protection();
  return params;
}

}  // namespace

plant::BatteryParams battery_params(const proto::Battery& written) {
  if (written.has_lifepo4()) return lifepo4_params(written.lifepo4());
  return lead_acid_params(written.lead_acid());
}

void judge_battery(const proto::Battery& written, const SiteProfile& site, Judge& judge) {
  plant::Problems battery;
  std::visit([&](const auto& chemistry) { chemistry.check(battery); }, site.battery);
  judge.pass_on(battery, written.has_lifepo4() ? "battery.lifepo4" : "battery.lead_acid");
  const proto::LeadAcid& lead = written.lead_acid();
  if (!lead.ocv().empty() && (lead.has_cell_ocv_empty_v() || lead.has_cell_ocv_full_v())) {
    judge.complain("battery.lead_acid.ocv",
                   "cannot stand beside cell_ocv_empty_v and cell_ocv_full_v: only one of them");
  }
  if (lead.has_cell_ocv_empty_v() != lead.has_cell_ocv_full_v() && lead.kind() != 0) {
    judge.complain("battery.lead_acid", "has one of cell_ocv_empty_v and cell_ocv_full_v, must have both or neither");
  }
  if (written.lifepo4().without_protection() && written.lifepo4().has_protection()) {
    judge.complain("battery.lifepo4.protection", "cannot stand beside without_protection: only one of them");
  }
}

}  // namespace dawnrig::profile
