// Plant, panel: the photovoltaic array as one single-diode source. May use plant/core only.
#pragma once

#include <cstdint>
#include <limits>
#include <optional>

#include "plant/core/anchored_exp.h"
#include "plant/core/problems.h"
#include "plant/core/wright_omega.h"

namespace dawnrig::plant {

/// Cells that settle above ambient by G/(u0 + u1 w), w the wind across the panel.
struct FaimanParams {
  double still_wpm2_per_k{25.0};             ///< u0
  double wind_wpm2_per_k_per_m_per_s{6.84};  ///< u1
  void check(Problems& problems) const;
  [[nodiscard]] double warming_k_per_wpm2(double wind_m_per_s) const {
    return 1.0 / (still_wpm2_per_k + wind_wpm2_per_k_per_m_per_s * wind_m_per_s);
  }
};

/// What may be wrong with the array as a whole.
enum class PanelFaultKind : std::uint8_t { kNone, kReversed, kShorted };

/// Reference figures at 1000 W/m2 and 25 degC cell temperature, for the whole array.
struct PanelParams {
  double light_current_a{8.2};
  double saturation_current_a{1e-9};
  double modified_ideality_v{1.9};  ///< n Ns k Tc / q at 25 degC
  double series_resistance_ohm{0.2};
  double shunt_resistance_ohm{300.0};
  double short_circuit_tempco_a_per_k{0.004};
  double noct_degc{45.0};
  std::optional<FaimanParams> faiman{};  ///< in place of NOCT
  void check(Problems& problems) const;
};

/// One operating point: the current and how it answers to everything it depends on.
struct PanelPoint {
  double current_a{};
  double d_voltage{};  ///< A per V at the far end of the cable; never above zero
  double d_degc{};     ///< A per K of cell temperature
  double d_poa{};      ///< A per W/m2
};

/// What depends on irradiance and temperature alone, for those it was last worked out for.
struct PanelWeather {
  double poa_wpm2{std::numeric_limits<double>::quiet_NaN()};
  double cell_degc{};
  double sun_frac{};  ///< of 1000 W/m2
  double one_per_k{}, a_v{}, inverse_a{};
  double saturation_a{}, saturation_per_k{}, light_per_sun_a{}, light_a{}, shunt_s{};
  double loading_frac{}, loading_inverse{};  ///< 1 + Rs/Rsh
  double log_b_over_a{};
};

struct PanelShade;

/// What repeated evaluations may reuse. One per run of the integrator, so that a result depends on its arguments only.
struct PanelScratch {
  WrightOmega omega;
  AnchoredLog shunt_log;
  AnchoredLog kelvin_log;
  AnchoredExp saturation;
  PanelWeather weather;
  const PanelShade* shade{nullptr};             ///< for an ArrayPanel; null: full light on all of it
  PanelFaultKind fault{PanelFaultKind::kNone};  ///< for a PanelSource
};

/// Single-diode array with its cable folded into the series resistance:
///
///     o--(IL up)--+--[diode]--+--[Rsh]--+--[Rs]--[cable]--o +     current_a > 0 flows out of +
///
///     vd = V + I Rs        I = IL - I0 (exp(vd/a) - 1) - vd/Rsh
///     IL = G/1000 (IL_ref + alpha (Tc - 25))         a = a_ref Tc/Tref
///     I0 = I0_ref (Tc/Tref)^3 exp(Eg_ref/(k Tref) - Eg(Tc)/(k Tc)),  Eg = 1.121 eV (1 - 0.0002677 (Tc - Tref))
///     Rsh = Rsh_ref 1000/G, none at G = 0            cells settle at ambient + G (NOCT - 20)/800, lag 300 s
///
/// Valid for crystalline silicon, 0..1500 W/m2, -60..120 degC. Not modelled: partial shade and bypass diodes, reverse
/// breakdown, wind, spectrum and angle of the light, the capacitance of the cells.
/// Sources: De Soto, Klein and Beckman, Solar Energy 80 (2006) 78 for the translation; Ross's law for NOCT; the lag is
/// a design figure within the 4 to 7 minutes usual at low wind.
/// Checked against bisection of the implicit equation in tests/plant/single_diode_test.cc.
class SingleDiodePanel {
 public:
  SingleDiodePanel(const PanelParams& checked, double cable_ohm);

  /// The array at v volts behind the cable. poa_wpm2 below zero counts as zero.
  [[nodiscard]] PanelPoint at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const;

  /// The voltage at which the array gives no current.
  [[nodiscard]] double open_circuit_v(double poa_wpm2, double cell_degc) const;

  /// Where the cell temperature settles.
  [[nodiscard]] double settled_degc(double ambient_degc, double poa_wpm2) const {
    return ambient_degc + warming_k_per_wpm2_ * (poa_wpm2 > 0.0 ? poa_wpm2 : 0.0);
  }
  [[nodiscard]] double warming_k_per_wpm2() const { return warming_k_per_wpm2_; }

  static constexpr double kThermalLagS = 300.0;
  /// The closed form needs some: 10 A across what stands in for none make 10 uV.
  static constexpr double kLeastSeriesOhm = 1e-6;

 private:
  void weather(double poa_wpm2, double cell_degc, PanelScratch& scratch) const;

  PanelParams p_;
  double series_ohm_;  // of the panel and its cable
  double series_s_;
  double shunt_ref_s_;
  double warming_k_per_wpm2_;
  double log_saturation_ref_;
  double log_b_over_a_ref_;  // ln(Rs I0/a) at reference, without the shunt
};

}  // namespace dawnrig::plant
