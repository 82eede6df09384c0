#include <algorithm>

#include "harness/characteristic/panel_under_test_internal.h"

namespace dawnrig::characteristic {

PanelUnderTest::PanelUnderTest(const profile::SiteProfile& site, double poa_wpm2, double cell_degc,
                               const plant::PanelShade& shade)
    : panel_{site.panel, site.array, 0.0}, shade_{shade}, poa_wpm2_{poa_wpm2}, cell_degc_{cell_degc} {
  if (site.array) array_.emplace(*site.array, 0.0);
}

double PanelUnderTest::current_a(double v) const {
  plant::PanelScratch scratch;
  scratch.shade = &shade_;
  return panel_.at(v, poa_wpm2_, cell_degc_, scratch).current_a;
}

double PanelUnderTest::open_circuit_v() const {
  plant::PanelScratch scratch;
  scratch.shade = &shade_;
  return std::max(0.0, panel_.open_circuit_v(poa_wpm2_, cell_degc_, scratch));
}

// A single diode has one peak between no voltage and open circuit, and golden sections close in on it.
double PanelUnderTest::peak_v(double low_v, double high_v) const {
  constexpr double kGolden = 0.6180339887498949;
  for (int i = 0; i < 80; ++i) {
    const double a = high_v - kGolden * (high_v - low_v);
    const double b = low_v + kGolden * (high_v - low_v);
    (power_w(a) < power_w(b) ? low_v : high_v) = power_w(a) < power_w(b) ? a : b;
  }
  return 0.5 * (low_v + high_v);
}

std::vector<PanelUnderTest::Peak> PanelUnderTest::peaks() const {
  std::vector<Peak> found;
  if (array_) {
    const plant::PeakList list = array_->peaks(poa_wpm2_, cell_degc_, &shade_);
    for (std::size_t i = 0; i < list.count; ++i) found.push_back({list.peaks[i].v, list.peaks[i].power_w});
    return found;
  }
  const double open_v = open_circuit_v();
  if (open_v <= 0 || current_a(0) <= 0) return found;
  const double v = peak_v(0, open_v);
  found.push_back({v, power_w(v)});
  return found;
}

double PanelUnderTest::best_w() const {
  double best_w = 0;
  for (const Peak& peak : peaks()) best_w = std::max(best_w, peak.power_w);
  return best_w;
}

}  // namespace dawnrig::characteristic
