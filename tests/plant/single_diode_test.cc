// Plant, panel: against the implicit equation solved by bisection, and its slopes against differences.
#include "plant/panel/single_diode.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

constexpr double kCableOhm = 0.05;

// The translated equation written out anew, solved for the current at v volts behind the cable.
double current_by_bisection(const PanelParams& p, double v, double poa, double degc) {
  const double t = degc + 273.15;
  const double t0 = 298.15;
  const double k = 8.617333262e-5;
  const double gap = 1.121 * (1.0 - 0.0002677 * (t - t0));
  const double il = poa / 1000.0 * (p.light_current_a + p.short_circuit_tempco_a_per_k * (t - t0));
  const double i0 = p.saturation_current_a * std::pow(t / t0, 3) * std::exp(1.121 / (k * t0) - gap / (k * t));
  const double a = p.modified_ideality_v * t / t0;
  const double rs = p.series_resistance_ohm + kCableOhm;
  return bisect(-1e3, 2.0 * il + 1.0, [&](double i) {
    const double vd = v + i * rs;
    return i - (il - i0 * std::expm1(vd / a) - vd * poa / 1000.0 / p.shunt_resistance_ohm);
  });
}

TEST(Panel, FollowsTheImplicitEquationFromShortToOpenCircuitInEverySunAndFrost) {
  const PanelParams p;
  const SingleDiodePanel panel{p, kCableOhm};
  PanelScratch scratch;
  for (const double poa : {20.0, 100.0, 400.0, 1000.0, 1200.0}) {
    for (double degc = -20.0; degc <= 80.0; degc += 20.0) {
      const double isc = current_by_bisection(p, 0.0, poa, degc);
      const double voc = bisect(0.0, 100.0, [&](double v) { return -current_by_bisection(p, v, poa, degc); });
      double best_v = 0.0;
      for (double v = 0.0; v < voc; v += voc / 200.0) {
        if (v * current_by_bisection(p, v, poa, degc) > best_v * current_by_bisection(p, best_v, poa, degc)) best_v = v;
      }
      for (const double v : {0.0, 0.5 * voc, best_v, 0.5 * (best_v + voc), voc, 1.05 * voc}) {
        const double expected = current_by_bisection(p, v, poa, degc);
        ASSERT_NEAR(panel.at(v, poa, degc, scratch).current_a, expected, 1e-6 * isc)
            << "at " << v << " V, " << poa << " W/m2, " << degc << " degC";
      }
    }
  }
}

TEST(Panel, HasTheKeyPointsOfTheImplicitEquationInEverySunAndFrost) {
  const PanelParams p;
  const SingleDiodePanel panel{p, kCableOhm};
  PanelScratch scratch;
  double worst = 0.0;
  for (const double poa : {20.0, 200.0, 1200.0}) {
    for (const double degc : {-20.0, 25.0, 80.0}) {
      const auto current = [&](double v) { return current_by_bisection(p, v, poa, degc); };
      const double isc = current(0.0);
      const double voc = bisect(0.0, 100.0, [&](double v) { return -current(v); });
      // The power's maximum, where a difference of it over 2e-4 of Voc falls through zero.
      const double h = 1e-4 * voc;
      const double vmp =
          bisect(0.2 * voc, voc, [&](double v) { return (v - h) * current(v - h) - (v + h) * current(v + h); });
      const double found_vmp = bisect(0.2 * voc, voc, [&](double v) {
        return (v - h) * panel.at(v - h, poa, degc, scratch).current_a -
               (v + h) * panel.at(v + h, poa, degc, scratch).current_a;
      });
      const double found_imp = panel.at(found_vmp, poa, degc, scratch).current_a;
      const double imp = current(vmp);
      for (const double miss :
           {panel.at(0.0, poa, degc, scratch).current_a / isc, panel.open_circuit_v(poa, degc) / voc, found_vmp / vmp,
            found_imp / imp, found_vmp * found_imp / (vmp * imp)}) {
        worst = std::max(worst, std::abs(miss - 1.0));
      }
    }
  }
  std::printf("key points: worst miss %.1e\n", worst);
  EXPECT_LT(worst, 1e-6);
}

TEST(Panel, SlopesAreThoseOfTheCurrent) {
  const SingleDiodePanel panel{PanelParams{}, kCableOhm};
  for (const double v : {0.0, 25.0, 36.0, 40.0, 43.0}) {
    PanelScratch s;
    const PanelPoint at = panel.at(v, 700.0, 40.0, s);
    const auto slope = [&](double dv, double dg, double dt) {
      PanelScratch up;
      PanelScratch down;
      return 0.5 * (panel.at(v + dv, 700.0 + dg, 40.0 + dt, up).current_a -
                    panel.at(v - dv, 700.0 - dg, 40.0 - dt, down).current_a);
    };
    EXPECT_NEAR(slope(1e-4, 0, 0) / 1e-4, at.d_voltage, 1e-5 * (1.0 + std::abs(at.d_voltage))) << v;
    EXPECT_NEAR(slope(0, 1e-2, 0) / 1e-2, at.d_poa, 1e-7) << v;
    EXPECT_NEAR(slope(0, 0, 1e-3) / 1e-3, at.d_degc, 1e-6 * (1.0 + std::abs(at.d_degc))) << v;
  }
}

TEST(Panel, GivesNothingInTheDarkAndTakesNoMoreThanItsSaturationCurrentBelowZero) {
  const SingleDiodePanel panel{PanelParams{}, kCableOhm};
  PanelScratch scratch;
  EXPECT_NEAR(panel.at(0.0, 0.0, 25.0, scratch).current_a, 0.0, 1e-18);
  EXPECT_NEAR(panel.at(-5.0, 0.0, 25.0, scratch).current_a, 1e-9, 1e-10);
  EXPECT_NEAR(panel.at(12.0, -50.0, 25.0, scratch).current_a, panel.at(12.0, 0.0, 25.0, scratch).current_a, 1e-15);
}

TEST(Panel, CellsSettleAtTheirNominalTemperature) {
  const SingleDiodePanel panel{PanelParams{}, kCableOhm};
  EXPECT_DOUBLE_EQ(panel.settled_degc(20.0, 800.0), 45.0);
}

}  // namespace
}  // namespace dawnrig::plant
