#include <algorithm>

#include "harness/characteristic/characteristic.h"
#include "harness/characteristic/panel_under_test_internal.h"
#include "harness/characteristic/sweep_internal.h"

namespace dawnrig::characteristic {
namespace {

using base::number_text;

std::string key_points(const PanelUnderTest& panel, const std::string& label) {
  std::string said = label + ": Isc " + number_text(panel.current_a(0), 4) + " A, Voc " +
                     number_text(panel.open_circuit_v(), 4) + " V";
  for (const PanelUnderTest::Peak& peak : panel.peaks()) {
    said += ", peak " + number_text(peak.power_w, 3) + " W at " + number_text(peak.v, 4) + " V and " +
            number_text(peak.power_w / peak.v, 4) + " A";
  }
  return said;
}

plant::PanelShade shade_of(const profile::SiteProfile& site, const std::vector<double>& light_frac) {
  plant::PanelShade shade;
  if (light_frac.empty()) return shade;
  demand("light-frac", light_frac, 0, 1);
  profile::demand_substring(site, static_cast<int>(light_frac.size()) - 1);
  std::copy(light_frac.begin(), light_frac.end(), shade.light_frac.begin());
  return shade;
}

}  // namespace

Characteristic panel_curve(const profile::SiteProfile& site, const PanelSweep& sweep) {
  demand("poa-wpm2", sweep.poa_wpm2, 0, 2500);
  demand("cell-degc", sweep.cell_degc, -60, 120);
  demand("points", sweep.points, 3, 100000);
  const plant::PanelShade shade = shade_of(site, sweep.light_frac);
  Characteristic table;
  table.title = "Panel of " + site.name + ", at its terminals";
  if (!sweep.light_frac.empty()) {
    table.title += ", sub-strings in";
    for (const double frac : sweep.light_frac) table.title += " " + number_text(frac);
    table.title += " of the light";
  }
  table.columns = {{"poa_wpm2", "irradiance, W/m²"},
                   {"cell_degc", "cell temperature, °C"},
                   {"panel_v", "panel voltage, V", true},
                   {"panel_a", "panel current, A", true},
                   {"panel_w", "panel power, W", true}};
  for (const double poa_wpm2 : sweep.poa_wpm2) {
    for (const double cell_degc : sweep.cell_degc) {
      const PanelUnderTest panel{site, poa_wpm2, cell_degc, shade};
      Branch branch{number_text(poa_wpm2) + " W/m², cells at " + number_text(cell_degc) + " °C", {}};
      const double open_v = panel.open_circuit_v();
      for (int i = 0; i <= sweep.points; ++i) {
        const double v = open_v * i / sweep.points;
        branch.rows.push_back({poa_wpm2, cell_degc, v, panel.current_a(v), panel.power_w(v)});
      }
      table.remarks.push_back(key_points(panel, branch.label));
      table.branches.push_back(std::move(branch));
    }
  }
  return table;
}

}  // namespace dawnrig::characteristic
