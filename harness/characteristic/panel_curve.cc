#include <algorithm>
#include <cmath>

#include "harness/characteristic/characteristic.h"
#include "harness/characteristic/sweep_internal.h"

namespace dawnrig::characteristic {
namespace {

using base::number_text;

/// A panel under one sky, at its own terminals.
class PanelUnderTest {
 public:
  PanelUnderTest(const plant::PanelParams& params, double poa_wpm2, double cell_degc)
      : panel_{params, 0.0}, poa_wpm2_{poa_wpm2}, cell_degc_{cell_degc} {}
  [[nodiscard]] double current_a(double v) const {
    plant::PanelScratch scratch;
    return panel_.at(v, poa_wpm2_, cell_degc_, scratch).current_a;
  }
  [[nodiscard]] double power_w(double v) const { return v * current_a(v); }
  [[nodiscard]] double open_circuit_v() const { return panel_.open_circuit_v(poa_wpm2_, cell_degc_); }

  /// Where power peaks between two voltages that hold one peak.
  [[nodiscard]] double peak_v(double low_v, double high_v) const {
    constexpr double kGolden = 0.6180339887498949;
    for (int i = 0; i < 80; ++i) {
      const double a = high_v - kGolden * (high_v - low_v);
      const double b = low_v + kGolden * (high_v - low_v);
      (power_w(a) < power_w(b) ? low_v : high_v) = power_w(a) < power_w(b) ? a : b;
    }
    return 0.5 * (low_v + high_v);
  }

 private:
  plant::SingleDiodePanel panel_;
  double poa_wpm2_, cell_degc_;
};

/// Every local maximum of the power along the branch, found between its rows and then closed in on.
std::vector<double> peaks_v(const PanelUnderTest& panel, const Branch& branch, std::size_t v, std::size_t w) {
  std::vector<double> peaks;
  for (std::size_t i = 1; i + 1 < branch.rows.size(); ++i) {
    const auto& rows = branch.rows;
    if (rows[i][w] >= rows[i - 1][w] && rows[i][w] > rows[i + 1][w]) {
      peaks.push_back(panel.peak_v(rows[i - 1][v], rows[i + 1][v]));
    }
  }
  return peaks;
}

std::string key_points(const PanelUnderTest& panel, const Branch& branch) {
  std::string said = branch.label + ": Isc " + number_text(panel.current_a(0), 4) + " A, Voc " +
                     number_text(panel.open_circuit_v(), 4) + " V";
  for (const double v : peaks_v(panel, branch, 2, 4)) {
    said += ", peak " + number_text(panel.power_w(v), 3) + " W at " + number_text(v, 4) + " V and " +
            number_text(panel.current_a(v), 4) + " A";
  }
  return said;
}

}  // namespace

Characteristic panel_curve(const profile::SiteProfile& site, const PanelSweep& sweep) {
  demand("poa-wpm2", sweep.poa_wpm2, 0, 2500);
  demand("cell-degc", sweep.cell_degc, -60, 120);
  demand("points", sweep.points, 3, 100000);
  Characteristic table;
  table.title = "Panel of " + site.name + ", at its terminals";
  table.columns = {{"poa_wpm2", "irradiance, W/m²"},
                   {"cell_degc", "cell temperature, °C"},
                   {"panel_v", "panel voltage, V", true},
                   {"panel_a", "panel current, A", true},
                   {"panel_w", "panel power, W", true}};
  for (const double poa_wpm2 : sweep.poa_wpm2) {
    for (const double cell_degc : sweep.cell_degc) {
      const PanelUnderTest panel{site.panel, poa_wpm2, cell_degc};
      Branch branch{number_text(poa_wpm2) + " W/m², cells at " + number_text(cell_degc) + " °C", {}};
      const double open_v = std::max(panel.open_circuit_v(), 0.0);
      for (int i = 0; i <= sweep.points; ++i) {
        const double v = open_v * i / sweep.points;
        branch.rows.push_back({poa_wpm2, cell_degc, v, panel.current_a(v), panel.power_w(v)});
      }
      table.remarks.push_back(key_points(panel, branch));
      table.branches.push_back(std::move(branch));
    }
  }
  return table;
}

}  // namespace dawnrig::characteristic
