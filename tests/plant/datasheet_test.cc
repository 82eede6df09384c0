// Plant, panel: the curve fitted to a label goes through the label's points, or the label is refused.
#include "plant/panel/datasheet.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

// Invented labels of kinds of module that are sold: what their cells usually measure.
struct Label {
  const char* what;
  DatasheetParams figures;
};
const Label kLabels[] = {
    {"36 multicrystalline cells, 80 W", {4.97, 21.8, 4.58, 17.5, 0.0025, -0.0785, 36}},
    {"36 monocrystalline cells, 150 W", {8.85, 22.4, 8.3, 18.2, 0.0040, -0.0740, 36}},
    {"60 multicrystalline cells, 250 W", {8.75, 37.6, 8.27, 30.3, 0.0045, -0.1203, 60}},
    {"60 monocrystalline cells, 300 W", {9.77, 39.9, 9.2, 32.6, 0.0049, -0.1150, 60}},
    {"72 monocrystalline cells, 360 W", {9.67, 47.5, 9.13, 39.4, 0.0048, -0.1420, 72}},
    {"96 cells with heterojunction, 330 W", {6.07, 69.7, 5.70, 58.0, 0.0033, -0.1640, 96}},
};

// The translated equation written out anew, for the current at v.
double current_a(const PanelParams& p, double v, double degc) {
  const double t = degc + 273.15;
  const double k = 8.617333262e-5;
  const double il = p.light_current_a + p.short_circuit_tempco_a_per_k * (t - 298.15);
  const double i0 = p.saturation_current_a * std::pow(t / 298.15, 3) *
                    std::exp(1.121 / (k * 298.15) - 1.121 * (1.0 - 0.0002677 * (t - 298.15)) / (k * t));
  const double a = p.modified_ideality_v * t / 298.15;
  return bisect(-1e3, 2.0 * il + 1.0, [&](double i) {
    const double vd = v + i * p.series_resistance_ohm;
    return i - (il - i0 * std::expm1(vd / a) - vd / p.shunt_resistance_ohm);
  });
}

TEST(Datasheet, CurveGoesThroughTheFourPointsOfTheLabelAndMovesWithTemperatureAsItSays) {
  for (const Label& label : kLabels) {
    Problems problems;
    label.figures.check(problems);
    ASSERT_TRUE(problems.empty()) << label.what << problems.list()[0].message;
    const auto fit = fit_datasheet(label.figures, problems);
    ASSERT_TRUE(fit) << label.what << ": " << problems.list()[0].message;
    const DatasheetParams& d = label.figures;
    const PanelParams& p = fit->module;
    std::printf(
        "%-36s n %.3f Rs %.3f Rsh %.0f ohm; misses: Isc %.1e Voc %.1e Imp %.1e Vmp %.1e, Voc's tempco %+.1f %%\n",
        label.what, fit->emission_coefficient, p.series_resistance_ohm, p.shunt_resistance_ohm,
        fit->short_circuit_miss_frac, fit->open_circuit_miss_frac, fit->peak_current_miss_frac,
        fit->peak_voltage_miss_frac, 100.0 * fit->open_circuit_tempco_miss_v_per_k / d.open_circuit_tempco_v_per_k);
    // By bisection of the equation, not by the panel's own code.
    const double voc = bisect(0.0, 200.0, [&](double v) { return -current_a(p, v, 25.0); });
    const double vmp = bisect(0.3 * voc, voc, [&](double v) {
      const double h = 1e-5 * voc;
      return (v - h) * current_a(p, v - h, 25.0) - (v + h) * current_a(p, v + h, 25.0);
    });
    constexpr double kMostMiss = 1e-3;
    EXPECT_NEAR(current_a(p, 0.0, 25.0) / d.short_circuit_a, 1.0, kMostMiss) << label.what;
    EXPECT_NEAR(voc / d.open_circuit_v, 1.0, kMostMiss) << label.what;
    EXPECT_NEAR(vmp / d.peak_v, 1.0, kMostMiss) << label.what;
    EXPECT_NEAR(current_a(p, vmp, 25.0) / d.peak_a, 1.0, kMostMiss) << label.what;
    const double warm_v = bisect(0.0, 200.0, [&](double v) { return -current_a(p, v, 26.0); });
    EXPECT_NEAR((warm_v - voc) - fit->open_circuit_tempco_miss_v_per_k, d.open_circuit_tempco_v_per_k,
                2e-3 * std::abs(d.open_circuit_tempco_v_per_k))
        << label.what << ": the miss it tells is the miss it has";
  }
}

TEST(Datasheet, ThatWasComputedFromAKnownCurveGivesThatCurveBack) {
  PanelParams known;
  known.light_current_a = 8.9;
  known.saturation_current_a = 2e-10;
  known.modified_ideality_v = 36 * 0.025693 * 1.0;
  known.series_resistance_ohm = 0.18;
  known.shunt_resistance_ohm = 120.0;
  const double isc = current_a(known, 0.0, 25.0);
  const double voc = bisect(0.0, 50.0, [&](double v) { return -current_a(known, v, 25.0); });
  const double vmp = bisect(0.5 * voc, voc, [&](double v) {
    return (v - 1e-4) * current_a(known, v - 1e-4, 25.0) - (v + 1e-4) * current_a(known, v + 1e-4, 25.0);
  });
  const auto voc_at = [&](double degc) {
    return bisect(0.0, 50.0, [&](double v) { return -current_a(known, v, degc); });
  };
  const DatasheetParams label{
      isc, voc, current_a(known, vmp, 25.0), vmp, known.short_circuit_tempco_a_per_k, voc_at(25.5) - voc_at(24.5), 36};
  Problems problems;
  const auto fit = fit_datasheet(label, problems);
  ASSERT_TRUE(fit);
  EXPECT_NEAR(fit->module.modified_ideality_v / known.modified_ideality_v, 1.0, 1e-3);
  EXPECT_NEAR(fit->module.series_resistance_ohm / known.series_resistance_ohm, 1.0, 1e-2);
  EXPECT_NEAR(fit->module.shunt_resistance_ohm / known.shunt_resistance_ohm, 1.0, 2e-2);
  EXPECT_LT(std::abs(fit->open_circuit_tempco_miss_v_per_k), 1e-6);
}

TEST(Datasheet, IsRefusedWhereNoCurveMeetsIt) {
  const auto refused_field = [](const DatasheetParams& d) {
    Problems problems;
    d.check(problems);
    EXPECT_TRUE(problems.empty());
    const auto fit = fit_datasheet(d, problems);
    EXPECT_FALSE(fit.has_value());
    return problems.list().empty() ? std::string() : problems.list()[0].field;
  };
  DatasheetParams square = kLabels[1].figures;  // a fill factor of 0.93
  square.peak_a = 0.98 * square.short_circuit_a;
  square.peak_v = 0.95 * square.open_circuit_v;
  EXPECT_EQ(refused_field(square), "peak_v");
  DatasheetParams straight = kLabels[1].figures;  // below the straight line from Isc to Voc
  straight.peak_a = 0.4 * straight.short_circuit_a;
  straight.peak_v = 0.5 * straight.open_circuit_v;
  EXPECT_EQ(refused_field(straight), "peak_v");
  DatasheetParams steady = kLabels[1].figures;  // silicon that hardly minds the heat
  steady.open_circuit_tempco_v_per_k = -0.02;
  EXPECT_EQ(refused_field(steady), "open_circuit_tempco_v_per_k");
}

TEST(Datasheet, IsRefusedWhereItsFiguresContradictEachOther) {
  const auto first_field = [](DatasheetParams d) {
    Problems problems;
    d.check(problems);
    return problems.list().empty() ? std::string("none") : problems.list()[0].field;
  };
  DatasheetParams d = kLabels[0].figures;
  EXPECT_EQ(first_field(d), "none");
  d.peak_a = 5.0;
  EXPECT_EQ(first_field(d), "peak_a");
  d = kLabels[0].figures;
  d.peak_v = 22.0;
  EXPECT_EQ(first_field(d), "peak_v");
  d = kLabels[0].figures;
  d.cells = 72;
  d.open_circuit_v = 18.0;
  d.peak_v = 15.0;
  EXPECT_EQ(first_field(d), "open_circuit_v");
  d = kLabels[0].figures;
  d.open_circuit_tempco_v_per_k = 0.078;
  EXPECT_EQ(first_field(d), "open_circuit_tempco_v_per_k");
}

TEST(Field, OfModulesIsOneModuleScaled) {
  const PanelParams module;
  const PanelParams field = field_of(module, 3, 2);
  for (const double v : {0.0, 10.0, 30.0, 40.0}) {
    EXPECT_NEAR(current_a(field, 3.0 * v, 40.0), 2.0 * current_a(module, v, 40.0), 1e-9) << v;
  }
}

}  // namespace
}  // namespace dawnrig::plant
