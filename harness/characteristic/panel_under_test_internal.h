// A panel at its own terminals, in one weather and one shade.
// Room: harness/characteristic, private to it. May use plant and harness/profile.
#pragma once

#include <vector>

#include "harness/profile/profile.h"

namespace dawnrig::characteristic {

class PanelUnderTest {
 public:
  PanelUnderTest(const profile::SiteProfile& site, double poa_wpm2, double cell_degc, const plant::PanelShade& shade);

  [[nodiscard]] double current_a(double v) const;
  [[nodiscard]] double power_w(double v) const { return v * current_a(v); }
  [[nodiscard]] double open_circuit_v() const;

  struct Peak {
    double v{}, power_w{};
  };
  /// Every local maximum of the power, from low to high voltage. None in the dark.
  [[nodiscard]] std::vector<Peak> peaks() const;
  /// The highest of them; 0 in the dark.
  [[nodiscard]] double best_w() const;

 private:
  [[nodiscard]] double peak_v(double low_v, double high_v) const;

  plant::PanelSource panel_;
  std::optional<plant::ArrayPanel> array_;
  plant::PanelShade shade_;
  double poa_wpm2_, cell_degc_;
};

}  // namespace dawnrig::characteristic
