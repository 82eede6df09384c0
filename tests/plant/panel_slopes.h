// Tests of the plant: a panel's slopes against differences of its current. Room: tests.
#pragma once

#include <gtest/gtest.h>

#include <cmath>

#include "plant/panel/single_diode.h"

namespace dawnrig::plant {

/// At 700 W/m2 and cells of 40 degC.
template <class Panel>
void expect_slopes_of_the_current(const Panel& panel, double v, PanelScratch& scratch, double poa_tolerance) {
  const PanelPoint at = panel.at(v, 700.0, 40.0, scratch);
  const auto slope = [&](double dv, double dg, double dt) {
    return 0.5 * (panel.at(v + dv, 700.0 + dg, 40.0 + dt, scratch).current_a -
                  panel.at(v - dv, 700.0 - dg, 40.0 - dt, scratch).current_a);
  };
  EXPECT_NEAR(slope(1e-5, 0, 0) / 1e-5, at.d_voltage, 1e-5 * (1.0 + std::abs(at.d_voltage))) << v;
  EXPECT_NEAR(slope(0, 1e-2, 0) / 1e-2, at.d_poa, poa_tolerance) << v;
  EXPECT_NEAR(slope(0, 0, 1e-3) / 1e-3, at.d_degc, 1e-5 * (1.0 + std::abs(at.d_degc))) << v;
}

}  // namespace dawnrig::plant
