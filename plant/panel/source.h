// Plant, panel: whatever the site has on its roof, with its faults, behind one interface. May use plant/core only.
#pragma once

#include <optional>

#include "plant/core/problems.h"
#include "plant/panel/array.h"
#include "plant/panel/single_diode.h"

namespace dawnrig::plant {

/// The panel as the circuit sees it: one single-diode source, or an array that may be shaded in part. The plain source
/// without a fault takes the shortest way and keeps its bits.
///
///     reversed   i(v) = -i_panel(-v): an array then conducts through its bypass diodes; of a single diode without them
///                nothing but its shunt limits the voltage, since reverse breakdown is not modelled
///     shorted    by 10 mohm across the panel's own terminals, before its cable: i = i_panel(u) - u/10 mohm = (u -
///     v)/cable
///
/// Cells settle above ambient by NOCT, or with the wind by Faiman: G/(u0 + u1 w). Source: D. Faiman, Progress in
/// Photovoltaics 16 (2008) 307. Checked in tests/plant/panel_source_test.cc.
class PanelSource {
 public:
  PanelSource(const PanelParams& checked, const std::optional<ArrayParams>& array, double cable_ohm)
      : single_{checked, cable_ohm}, bare_{checked, 0.0}, cable_ohm_{cable_ohm}, faiman_{checked.faiman} {
    if (!array) return;
    array_.emplace(*array, cable_ohm);
    bare_array_.emplace(*array, 0.0);
  }

  /// As SingleDiodePanel::at(); shade and fault are those of the scratch.
  [[nodiscard]] PanelPoint at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
    if (!array_ && scratch.fault == PanelFaultKind::kNone) return single_.at(v, poa_wpm2, cell_degc, scratch);
    return faulty_at(v, poa_wpm2, cell_degc, scratch);
  }

  /// At the panel's own terminals with nothing connected.
  [[nodiscard]] double open_circuit_v(double poa_wpm2, double cell_degc, const PanelScratch& how) const;

  /// How far the cells settle above ambient for each W/m2. `wind_m_per_s`: across the panel; of no matter by NOCT.
  [[nodiscard]] double warming_k_per_wpm2(double wind_m_per_s) const {
    return faiman_ ? faiman_->warming_k_per_wpm2(wind_m_per_s) : single_.warming_k_per_wpm2();
  }

  static constexpr double kShortOhm = 0.01;

 private:
  [[nodiscard]] PanelPoint sound_at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
    return array_ ? array_->at(v, poa_wpm2, cell_degc, scratch) : single_.at(v, poa_wpm2, cell_degc, scratch);
  }
  [[nodiscard]] PanelPoint shorted_at(double v, double poa_wpm2, double cell_degc, const PanelScratch& scratch) const;
  [[nodiscard]] PanelPoint faulty_at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const;

  SingleDiodePanel single_, bare_;  // with the cable, and at the panel's own terminals
  std::optional<ArrayPanel> array_, bare_array_;
  double cable_ohm_;
  std::optional<FaimanParams> faiman_;
};

}  // namespace dawnrig::plant
