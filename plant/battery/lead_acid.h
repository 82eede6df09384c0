// Plant, battery: lead-acid, as a set of figures for battery.h. May use plant/core only.
#pragma once

#include <cstdint>
#include <vector>

#include "plant/battery/ageing.h"
#include "plant/battery/ocv_curve.h"
#include "plant/core/problems.h"

namespace dawnrig::plant {

/// All but the first two default to what a battery without further knowledge was given from the beginning; kinds of
/// construction, with a source for each figure, come from usual_lead_acid().
struct LeadAcidParams {
  double cells{12};
  double capacity_ah{200.0};
  double cell_ocv_empty_v{1.98};
  double cell_ocv_full_v{2.13};
  std::vector<OcvPoint> ocv;          ///< in place of the straight line between empty and full, if not empty
  double ocv_tempco_v_per_k{0.0002};  ///< per cell
  double r_series_ohm{0.008};         ///< whole battery at full charge and 25 degC, as all resistances
  double r_series_rise_frac{0.0};     ///< how much more it is when empty
  double r_fast_ohm{0.006};
  double tau_fast_s{1.0};
  double r_slow_ohm{0.03};
  double tau_slow_s{600.0};
  double resistance_per_k{0.0};  ///< series and both pairs times exp(-resistance_per_k (T - 25 degC))
  double gassing_a_per_100ah{0.02};
  double gassing_per_v{11.0};
  double gassing_per_k{0.06};
  double recombination_frac{1.0};  ///< of the gas: what it took to split the water comes back as heat
  double r_acceptance_ohm{0.3};    ///< while charging, times exp(-acceptance_per_soc (1 - soc))
  double acceptance_per_soc{10.0};
  double acceptance_per_k{0.0};  ///< and times exp(-acceptance_per_k (T - 25 degC))
  double r_exhaustion_ohm{0.0};  ///< while discharging, times exp(-exhaustion_per_soc soc)
  double exhaustion_per_soc{6.0};
  double exhaustion_per_k{0.0};
  double slow_share_frac{0.0};  ///< of acceptance and exhaustion: in the slow pair; the rest is in the fast one
  double self_discharge_per_s{0.0};
  double self_discharge_per_k{0.06};
  double heat_capacity_j_per_k{100e3};
  double thermal_resistance_k_per_w{0.5};
  Ageing ageing;
  void check(Problems& problems) const;
};

enum class LeadAcidKind : std::uint8_t { kFlooded, kAgm, kGel };

/// What a new battery of this construction usually measures, scaled to its size. plant/README.md holds a source for
/// each figure. r_series falls with capacity^0.61, as specifications of 7 to 100 Ah have it; the other resistances,
/// which are of the plates, with capacity itself. capacity_ah is that of the ten-hour rate; the state of charge counts
/// 1.04 of it, what slow discharges give. Less comes out of it faster or colder: the exhaustion sees to that.
[[nodiscard]] LeadAcidParams usual_lead_acid(LeadAcidKind kind, double cells, double capacity_ah);

}  // namespace dawnrig::plant
