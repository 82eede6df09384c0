// Plant, panel: an array of sub-strings with bypass diodes, each in a light of its own. May use plant/core only.
#pragma once

#include <array>
#include <cstddef>

#include "plant/core/problems.h"
#include "plant/panel/single_diode.h"

namespace dawnrig::plant {

inline constexpr std::size_t kMaxSubstrings = 48;
inline constexpr std::size_t kMaxStrings = 8;

/// A diode across a sub-string, that carries the string's current past it when it is shaded.
struct BypassDiode {
  double forward_v{0.45};  ///< at forward_a and 25 degC
  double forward_a{8.0};
  double emission_coefficient{1.05};
  void check(Problems& problems) const;
};

struct ArrayParams {
  PanelParams substring;  ///< of one sub-string: the cells between the ends of one bypass diode
  int series{2};          ///< sub-strings in each string
  int strings{1};         ///< in parallel
  BypassDiode bypass;
  void check(Problems& problems) const;
};

/// How much of the array's light falls on each sub-string, string by string. Reflection, dirt and the share of the
/// diffuse light are the caller's business.
struct PanelShade {
  std::array<double, kMaxSubstrings> light_frac;
  PanelShade() { light_frac.fill(1.0); }
  bool operator==(const PanelShade&) const = default;
};

/// Local maxima of power.
struct PeakPower {
  double v{}, power_w{};
};
struct PeakList {
  std::array<PeakPower, kMaxSubstrings> peaks{};
  std::size_t count{0};
};

/// Strings in parallel behind one cable; in each, sub-strings in series, each with its bypass diode:
///
///     cells of k:   vd = v_k + i Rs,  i = IL_k - I0 (exp(vd/a) - 1) - vd/Rsh   in light_frac_k of the irradiance
///     diode of k:   b = Is (exp(-v_k/(n kT/q)) - 1)
///     string:       i + b the same for all k,  sum of v_k = v_node
///     array:        sum of strings = (v_node - v)/cable
///
/// Every element's current falls with its voltage, so each of the three levels has one root, which is enclosed and then
/// closed in on by Newton's method with bisection to fall back on: no start can fail, and nothing allocates.
/// Sub-strings in equal light are solved once, and strings in equal light too, whose cable then joins the string.
///
/// Is follows temperature as a Schottky barrier of 0.69 eV: Is (T/T0)^(2/n) exp(0.69 eV/(n k) (1/T0 - 1/T)), the diodes
/// as warm as the cells. Cells as in single_diode.h. All cells have one temperature; a sub-string shaded in part is
/// taken as evenly shaded. Not modelled: reverse breakdown, the voltage of single shaded cells in a lit sub-string.
/// Sources: the circuit itself; barrier figures are those usual in circuit simulators. Checked against nested bisection
/// and against a circuit simulator in tests/plant/array_test.cc and array_spice_test.cc.
class ArrayPanel {
 public:
  ArrayPanel(const ArrayParams& checked, double cable_ohm);

  /// The array at v volts behind the cable, as SingleDiodePanel::at(). `scratch` is here for the like interface; its
  /// `shade` is looked at, none meaning full light.
  [[nodiscard]] PanelPoint at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const;
  static constexpr double kFarV = 1e5;  ///< beyond it to either side the curve goes on straight
  [[nodiscard]] double open_circuit_v(double poa_wpm2, double cell_degc, const PanelShade* shade) const;
  /// Every local maximum of the power at the array's own terminals, from low to high voltage. Not for hot paths.
  [[nodiscard]] PeakList peaks(double poa_wpm2, double cell_degc, const PanelShade* shade) const;

  [[nodiscard]] double settled_degc(double ambient_degc, double poa_wpm2) const {
    return ambient_degc + warming_k_per_wpm2_ * (poa_wpm2 > 0.0 ? poa_wpm2 : 0.0);
  }
  [[nodiscard]] double warming_k_per_wpm2() const { return warming_k_per_wpm2_; }

 private:
  struct Weather;
  struct Answer;
  struct Group;
  struct StringLight;
  struct Look;
  [[nodiscard]] PanelPoint point_at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const;
  [[nodiscard]] Weather weather(double poa_wpm2, double cell_degc) const;
  [[nodiscard]] StringLight light_of(std::size_t string, const PanelShade* shade) const;
  [[nodiscard]] Look look_at(const Weather& w, double light_frac, double junction_v) const;
  [[nodiscard]] Answer answer_of(const Weather& w, double light_frac, const Look& q) const;
  [[nodiscard]] Answer substring_v(const Weather& w, double light_frac, double a) const;
  [[nodiscard]] Answer string_v(const Weather& w, const StringLight& light, double a) const;
  [[nodiscard]] Answer string_a(const Weather& w, const StringLight& light, double v, double series_ohm) const;

  ArrayParams p_;
  double cable_ohm_;
  double warming_k_per_wpm2_;
  double log_bypass_ref_;  // of the bypass diode's saturation current
};

}  // namespace dawnrig::plant
