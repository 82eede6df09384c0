// Plant, panel: shaded arrays against the same circuit solved by nested bisection, and what shade and bypass diodes do.
#include "plant/panel/array.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "fixture.h"
#include "panel_slopes.h"

namespace dawnrig::plant {
namespace {

constexpr double kCableOhm = 0.08;

// Half of a 36-cell module: 18 cells behind one bypass diode.
PanelParams eighteen_cells() {
  PanelParams p;
  p.light_current_a = 8.0;
  p.saturation_current_a = 1.2e-9;
  p.modified_ideality_v = 18 * 0.025693 * 1.05;
  p.series_resistance_ohm = 0.09;
  p.shunt_resistance_ohm = 80.0;
  p.short_circuit_tempco_a_per_k = 0.004;
  return p;
}

ArrayParams array_of(int series, int strings) {
  ArrayParams p;
  p.substring = eighteen_cells();
  p.series = series;
  p.strings = strings;
  return p;
}

// The circuit written out anew, every level by bisection.
class ByBisection {
 public:
  ByBisection(const ArrayParams& p, double poa, double degc, const PanelShade& shade) : p_{p}, shade_{shade} {
    const double k = 8.617333262e-5;
    const double t = degc + 273.15;
    const double t0 = 298.15;
    sun_ = poa / 1000.0;
    light_ = p.substring.light_current_a + p.substring.short_circuit_tempco_a_per_k * (t - t0);
    a_ = p.substring.modified_ideality_v * t / t0;
    i0_ = p.substring.saturation_current_a * std::pow(t / t0, 3) *
          std::exp(1.121 / (k * t0) - 1.121 * (1.0 - 0.0002677 * (t - t0)) / (k * t));
    const double n = p.bypass.emission_coefficient;
    ab_ = n * k * t;
    is_ = p.bypass.forward_a / std::expm1(p.bypass.forward_v / (n * k * t0)) * std::pow(t / t0, 2.0 / n) *
          std::exp(0.69 / (n * k) * (1.0 / t0 - 1.0 / t));
  }

  double substring_v(double light_frac, double a) const {
    const auto cells = [&](double vd) {
      return sun_ * light_frac * light_ - i0_ * std::expm1(vd / a_) -
             vd * sun_ * light_frac / p_.substring.shunt_resistance_ohm;
    };
    const auto v_of = [&](double vd) { return vd - p_.substring.series_resistance_ohm * cells(vd); };
    const double vd =
        bisect(-3.0, 15.0, [&](double x) { return a - cells(x) - is_ * std::expm1(std::min(200.0, -v_of(x) / ab_)); });
    return v_of(vd);
  }
  double string_a(std::size_t string, double node_v) const {
    return bisect(-200.0, 200.0, [&](double a) {
      double v = 0.0;
      for (int k = 0; k < p_.series; ++k) {
        v += substring_v(shade_.light_frac[string * static_cast<std::size_t>(p_.series) + static_cast<std::size_t>(k)],
                         a);
      }
      return node_v - v;
    });
  }
  double array_a(double node_v) const {
    double a = 0.0;
    for (int s = 0; s < p_.strings; ++s) a += string_a(static_cast<std::size_t>(s), node_v);
    return a;
  }

 private:
  ArrayParams p_;
  PanelShade shade_;
  double sun_, light_, a_, i0_, ab_, is_;
};

// The array behind its cable, checked at the node: current and cable say where the node is.
double miss_frac(const ArrayPanel& panel, const ByBisection& truth, double v, double poa, double degc,
                 const PanelShade& shade, double isc) {
  PanelScratch scratch;
  scratch.shade = &shade;
  const double a = panel.at(v, poa, degc, scratch).current_a;
  return std::abs(a - truth.array_a(v + a * kCableOhm)) / isc;
}

TEST(Array, CarriesTheCurrentThatNestedBisectionFindsInEverySunAndFrost) {
  PanelShade shade;
  shade.light_frac[1] = 0.5;
  shade.light_frac[3] = 0.2;
  const ArrayParams p = array_of(2, 2);
  const ArrayPanel panel{p, kCableOhm};
  double worst = 0.0;
  for (const double poa : {20.0, 400.0, 1200.0}) {
    for (const double degc : {-20.0, 25.0, 80.0}) {
      const ByBisection truth{p, poa, degc, shade};
      const double isc = 16.0 * poa / 1000.0;
      for (const double v : {-1.0, 0.0, 5.0, 8.0, 10.0, 15.0, 18.0, 20.0, 24.0}) {
        worst = std::max(worst, miss_frac(panel, truth, v, poa, degc, shade, isc));
      }
    }
  }
  std::printf("array: worst miss of the current %.1e of the short-circuit current\n", worst);
  EXPECT_LT(worst, 1e-6);
}

TEST(Array, InFullLightIsTheSingleDiodeOfTheWholeArrayWhereNoBypassConducts) {
  const ArrayParams p = array_of(4, 2);
  const ArrayPanel array{p, kCableOhm};
  PanelParams whole = p.substring;
  whole.light_current_a *= 2.0;
  whole.saturation_current_a *= 2.0;
  whole.short_circuit_tempco_a_per_k *= 2.0;
  whole.modified_ideality_v *= 4.0;
  whole.series_resistance_ohm *= 2.0;
  whole.shunt_resistance_ohm *= 2.0;
  const SingleDiodePanel single{whole, kCableOhm};
  for (const double poa : {20.0, 100.0, 400.0, 1000.0, 1200.0}) {
    for (const double degc : {-20.0, 0.0, 25.0, 50.0, 80.0}) {
      PanelScratch one;
      PanelScratch two;
      const double isc = single.at(0.0, poa, degc, one).current_a;
      for (const double v : {10.0, 20.0, 30.0, 36.0, 42.0, 48.0}) {
        // What is left is the leakage of the bypass diodes.
        ASSERT_NEAR(array.at(v, poa, degc, two).current_a, single.at(v, poa, degc, one).current_a, 2e-3 + 1e-6 * isc)
            << v << " V, " << poa << " W/m2, " << degc << " degC";
      }
    }
  }
}

TEST(Array, SlopesAreThoseOfTheCurrent) {
  PanelShade shade;
  shade.light_frac[0] = 0.4;
  shade.light_frac[3] = 0.7;
  for (const int strings : {1, 2}) {
    const ArrayPanel panel{array_of(2, strings), kCableOhm};
    PanelScratch s;
    s.shade = &shade;
    for (const double v : {-2.0, -0.5, 3.0, 8.5, 12.0, 17.0, 20.0}) {
      expect_slopes_of_the_current(panel, v, s, 1e-7);
    }
  }
}

TEST(Array, FallsWithTheVoltageEverywhereWhateverTheShade) {
  PanelShade shade;
  for (std::size_t k = 0; k < 12; ++k) shade.light_frac[k] = 0.05 + 0.08 * static_cast<double>(k);
  const ArrayPanel panel{array_of(6, 2), kCableOhm};
  PanelScratch s;
  s.shade = &shade;
  double last = 1e9;
  for (int i = -100; i <= 700; ++i) {
    const PanelPoint at = panel.at(0.1 * i, 900.0, 30.0, s);
    ASSERT_TRUE(std::isfinite(at.current_a));
    ASSERT_LT(at.current_a, last) << 0.1 * i << " V";
    ASSERT_LT(at.d_voltage, 0.0);
    last = at.current_a;
  }
}

TEST(Array, HalfShadedHasTwoMaximaAndInFullLightOne) {
  const ArrayPanel panel{array_of(2, 1), kCableOhm};
  EXPECT_EQ(panel.peaks(1000.0, 25.0, nullptr).count, 1U);
  PanelShade shade;
  shade.light_frac[0] = 0.4;
  const PeakList list = panel.peaks(1000.0, 25.0, &shade);
  ASSERT_EQ(list.count, 2U);
  // The lit half alone less the bypass diode's drop, or both halves at the shaded current.
  EXPECT_NEAR(list.peaks[0].v, 8.2, 0.7);
  EXPECT_NEAR(list.peaks[0].power_w / list.peaks[0].v, 7.5, 0.3);
  EXPECT_NEAR(list.peaks[1].v, 19.3, 1.0);
  EXPECT_NEAR(list.peaks[1].power_w / list.peaks[1].v, 0.4 * 7.7, 0.3);
}

TEST(Array, WithOneSubstringInTheDarkGivesTheOthersVoltageLessADiodeDrop) {
  const ArrayPanel panel{array_of(2, 1), kCableOhm};
  PanelShade shade;
  shade.light_frac[1] = 0.0;
  const ArrayPanel alone{array_of(1, 1), kCableOhm};
  PanelScratch dark;
  dark.shade = &shade;
  PanelScratch lit;
  for (const double a_target : {2.0, 5.0, 7.0}) {
    const auto v_at = [&](const ArrayPanel& p, PanelScratch& s) {
      return bisect(-5.0, 30.0, [&](double v) { return a_target - p.at(v, 1000.0, 25.0, s).current_a; });
    };
    const double drop_v = v_at(alone, lit) - v_at(panel, dark);
    // 0.45 V at 8 A, and n k T/q ln(I/8 A) less at I.
    EXPECT_NEAR(drop_v, 0.45 + 1.05 * 0.025693 * std::log(a_target / 8.0), 1e-3) << a_target;
  }
}

TEST(Array, GoesOnStraightWhereOnlyAWildStepOfTheSolverAsks) {
  const ArrayPanel panel{array_of(2, 3), kCableOhm};
  PanelShade shade;
  for (std::size_t k = 0; k < 6; ++k) shade.light_frac[k] = 0.1 + 0.15 * static_cast<double>(k);
  PanelScratch s;
  s.shade = &shade;
  for (const double side : {-1.0, 1.0}) {
    const PanelPoint far = panel.at(side * ArrayPanel::kFarV, 1000.0, 25.0, s);
    for (const double v : {2e5, 1e9, 1e15}) {
      const PanelPoint beyond = panel.at(side * v, 1000.0, 25.0, s);
      const double expected_a = far.current_a + far.d_voltage * side * (v - ArrayPanel::kFarV);
      EXPECT_NEAR(beyond.current_a / expected_a, 1.0, 1e-12) << side * v << " V";
      EXPECT_EQ(beyond.d_voltage, far.d_voltage);
    }
    // At the seam there is no step: the slope of the chord across it is that of the curve.
    const double below_a = panel.at(side * ArrayPanel::kFarV * (1 - 1e-6), 1000.0, 25.0, s).current_a;
    EXPECT_NEAR((far.current_a - below_a) / (side * 0.1), far.d_voltage, 1e-4 * std::abs(far.d_voltage));
  }
}

TEST(Array, TakesWhatIsForcedThroughItBackwardsThroughItsBypassDiodes) {
  const ArrayPanel panel{array_of(4, 1), kCableOhm};
  PanelScratch s;
  const PanelPoint at = panel.at(-3.0, 500.0, 25.0, s);
  EXPECT_GT(at.current_a, 8.0);
  EXPECT_LT(at.current_a, 3.0 / kCableOhm);
}

TEST(Array, RefusesMoreSubstringsThanItHolds) {
  Problems problems;
  array_of(49, 1).check(problems);
  ASSERT_EQ(problems.list().size(), 1U);
  EXPECT_EQ(problems.list()[0].message, "is 49, must be from 1 to 48 sub-strings in each of 1 strings");
  Problems more;
  array_of(25, 2).check(more);
  EXPECT_EQ(more.list().size(), 1U);
  Problems none;
  array_of(24, 2).check(none);
  EXPECT_TRUE(none.empty());
}

}  // namespace
}  // namespace dawnrig::plant
