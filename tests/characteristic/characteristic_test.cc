#include "harness/characteristic/characteristic.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <limits>
#include <sstream>

#include "harness/report/xy_picture.h"
#include "tests/characteristic/refusal.h"

namespace dawnrig::characteristic {
namespace {

using ::testing::HasSubstr;

const std::string kProfiles = std::string{DAWNRIG_SOURCE_DIR} + "/fixtures/profiles/";

profile::SiteProfile ridge_site() {
  return profile::load_site(kProfiles + "ridge_repeater_site.textproto");
}

profile::BoardProfile ridge_board(const char* revision) {
  return profile::load_board(kProfiles + "ridge_repeater_" + revision + ".textproto");
}

/// The single-diode equation solved by halving, from the parameters as they stand in the profile.
double bisected_a(const plant::PanelParams& p, double v) {
  double low = -1;
  double high = p.light_current_a + 1;
  for (int i = 0; i < 200; ++i) {
    const double a = 0.5 * (low + high);
    const double vd = v + a * p.series_resistance_ohm;
    const double more = p.light_current_a - p.saturation_current_a * std::expm1(vd / p.modified_ideality_v) -
                        vd / p.shunt_resistance_ohm - a;
    (more > 0 ? low : high) = a;
  }
  return 0.5 * (low + high);
}

TEST(PanelCurve, FollowsTheSingleDiodeEquationFromShortToOpenCircuit) {
  const profile::SiteProfile site = ridge_site();
  const Characteristic table = panel_curve(site, {{1000}, {25}, 50});
  ASSERT_EQ(table.branches.size(), 1U);
  ASSERT_EQ(table.branches[0].rows.size(), 51U);
  for (const std::vector<double>& row : table.branches[0].rows) {
    EXPECT_NEAR(row[3], bisected_a(site.panel, row[2]), 1e-8) << "at " << row[2] << " V";
    EXPECT_NEAR(row[4], row[2] * row[3], 1e-12);
  }
  EXPECT_NEAR(table.branches[0].rows.back()[3], 0.0, 1e-6) << "open circuit";
}

TEST(PanelCurve, NamesThePeakThatNoNeighbourBeats) {
  const profile::SiteProfile site = ridge_site();
  const Characteristic table = panel_curve(site, {{1000}, {25}, 20});
  double best_w = 0;
  double best_v = 0;
  for (double v = 20; v < 45; v += 1e-3) {
    const double w = v * bisected_a(site.panel, v);
    if (w > best_w) best_w = w, best_v = v;
  }
  ASSERT_EQ(table.remarks.size(), 1U);
  const std::size_t at = table.remarks[0].find("peak ");
  ASSERT_NE(at, std::string::npos) << table.remarks[0];
  double peak_w = 0;
  double peak_v = 0;
  ASSERT_EQ(std::sscanf(table.remarks[0].c_str() + at, "peak %lf W at %lf V", &peak_w, &peak_v), 2);
  EXPECT_NEAR(peak_w, best_w, 1e-3);
  EXPECT_NEAR(peak_v, best_v, 5e-3);
}

/// One sub-string of the modules by halving: the voltage at which its cells and its bypass diode carry `a` together.
double substring_v(const plant::ArrayParams& array, double light_frac, double a) {
  const plant::PanelParams& p = array.substring;
  const plant::BypassDiode& diode = array.bypass;
  const double thermal_v = diode.emission_coefficient * 8.617333262e-5 * 298.15;
  const double saturation_a = diode.forward_a / std::expm1(diode.forward_v / thermal_v);
  double low = -5;
  double high = 100;
  for (int i = 0; i < 50; ++i) {
    const double v = 0.5 * (low + high);
    plant::PanelParams lit = p;
    lit.light_current_a *= light_frac;
    lit.shunt_resistance_ohm /= light_frac;
    double cells_a = 0;
    double from = -1000;
    double to = lit.light_current_a + 10;
    for (int j = 0; j < 60; ++j) {
      cells_a = 0.5 * (from + to);
      const double vd = v + cells_a * lit.series_resistance_ohm;
      const double more = lit.light_current_a - lit.saturation_current_a * std::expm1(vd / lit.modified_ideality_v) -
                          vd / lit.shunt_resistance_ohm - cells_a;
      (more > 0 ? from : to) = cells_a;
    }
    (cells_a + saturation_a * std::expm1(-v / thermal_v) > a ? low : high) = v;
  }
  return 0.5 * (low + high);
}

TEST(PanelCurve, OfModulesInPartialShadeNamesBothMaxima) {
  const profile::SiteProfile site = profile::load_site(kProfiles + "ridge_repeater_modules_site.textproto");
  const Characteristic table = panel_curve(site, {{1000}, {25}, 100, {1, 1, 0.4}});
  double one_w = 0;
  double other_w = 0;
  for (double a = 2.9; a<7.8; a += a> 3.4 && a < 7.3 ? 3.9 : 0.001) {
    const double w = a * (3 * substring_v(*site.array, 1, a) + substring_v(*site.array, 0.4, a));
    double& best_w = a < 0.45 * site.array->substring.light_current_a ? other_w : one_w;
    best_w = std::max(best_w, w);
  }
  double said_w[2] = {};
  double v = 0;
  double a = 0;
  ASSERT_EQ(table.remarks.size(), 1U);
  const std::string remark = table.remarks[0].substr(table.remarks[0].find(", peak"));
  ASSERT_EQ(std::sscanf(remark.c_str(), ", peak %lf W at %lf V and %lf A, peak %lf W", &said_w[0], &v, &a, &said_w[1]),
            4)
      << remark;
  EXPECT_NEAR(said_w[0], one_w, 1e-5 * one_w);
  EXPECT_NEAR(said_w[1], other_w, 1e-5 * other_w);
  EXPECT_NEAR(said_w[0], v * a, 1e-3 * said_w[0]);
  EXPECT_THAT(table.title, HasSubstr("sub-strings in 1 1 0.4 of the light"));
}

TEST(PanelCurve, WithShadeForASubStringThatIsNotThereIsRefused) {
  EXPECT_THAT(refusal_of([] {
                (void)panel_curve(ridge_site(), {{1000}, {25}, 10, {1}});
              }),
              HasSubstr("no sub-strings"));
  const profile::SiteProfile site = profile::load_site(kProfiles + "ridge_repeater_modules_site.textproto");
  EXPECT_THAT(refusal_of([&] {
                (void)panel_curve(site, {{1000}, {25}, 10, {1, 1, 1, 1, 0.5}});
              }),
              HasSubstr("no sub-string 4"));
  EXPECT_THAT(refusal_of([&] { (void)panel_curve(site, {{1000}, {25}, 10, {1.5}}); }), HasSubstr("--light-frac"));
}

TEST(PanelCurve, HasABranchForEverySkyAndTemperature) {
  const Characteristic table = panel_curve(ridge_site(), {{200, 1000}, {0, 25, 50}, 10});
  ASSERT_EQ(table.branches.size(), 6U);
  EXPECT_EQ(table.branches[1].label, "200 W/m², cells at 25 °C");
  EXPECT_EQ(table.remarks.size(), 6U);
}

TEST(PanelCurve, OfAPanelInTheDarkIsFlatAndNoFault) {
  const Characteristic table = panel_curve(ridge_site(), {{0}, {25}, 10});
  for (const std::vector<double>& row : table.branches[0].rows) EXPECT_EQ(row[4], 0.0);
}

TEST(PanelCurve, OfAPanelWithoutAnySeriesResistanceIsThatOfItsDiodeAlone) {
  profile::SiteProfile site = ridge_site();
  for (const double ohm : {0.0, 5e-324}) {
    site.panel.series_resistance_ohm = ohm;
    const plant::PanelParams& p = site.panel;
    const Characteristic table = panel_curve(site, {{0, 1000}, {25}, 40});
    for (const Branch& branch : table.branches) {
      for (const std::vector<double>& row : branch.rows) {
        const double sun_frac = row[0] / 1000;
        const double expected_a = sun_frac * p.light_current_a -
                                  p.saturation_current_a * std::expm1(row[2] / p.modified_ideality_v) -
                                  sun_frac * row[2] / p.shunt_resistance_ohm;
        ASSERT_NEAR(row[3], expected_a, 1e-4) << row[2] << " V in " << row[0] << " W/m2";
      }
    }
  }
}

TEST(PanelCurve, OfNoSkyIsRefusedInTheWordsOfTheOption) {
  EXPECT_THAT(refusal_of([] { (void)panel_curve(ridge_site(), {{}, {25}, 10}); }), HasSubstr("--poa-wpm2"));
  EXPECT_THAT(refusal_of([] { (void)panel_curve(ridge_site(), {{-1}, {25}, 10}); }), HasSubstr("is -1"));
  EXPECT_THAT(refusal_of([] { (void)panel_curve(ridge_site(), {{1000}, {25}, 1}); }), HasSubstr("--points"));
  EXPECT_THAT(refusal_of([] {
                (void)panel_curve(ridge_site(), {{std::numeric_limits<double>::quiet_NaN()}, {25}, 10});
              }),
              HasSubstr("--poa-wpm2"));
}

TEST(SenseTransfer, OfADividerIsItsRatioUpToTheSupply) {
  const profile::BoardProfile board = ridge_board("a");
  const auto& divider =
      std::get<plant::DividerParams>(board.sense[board.channel_index("battery").value()].network.network);
  SenseSweep sweep;
  sweep.channel = "battery";
  sweep.to_v = 30;
  sweep.points = 60;
  const Characteristic table = sense_transfer(board, sweep);
  for (const std::vector<double>& row : table.branches[0].rows) {
    const double pin_v = row[1] * divider.r_bottom_ohm / (divider.r_top_ohm + divider.r_bottom_ohm);
    EXPECT_NEAR(row[2], pin_v, 1e-9) << "at " << row[1] << " V";
    EXPECT_EQ(row[3], std::floor(row[2] / board.device.supply_v * 1024));
  }
}

TEST(SenseTransfer, SaysFromWhereTheConverterAnswersNoMore) {
  const profile::BoardProfile board = ridge_board("a");
  SenseSweep sweep;
  sweep.channel = "battery";
  sweep.to_v = 100;
  sweep.points = 1000;
  const Characteristic table = sense_transfer(board, sweep);
  ASSERT_EQ(table.remarks.size(), 1U);
  EXPECT_THAT(table.remarks[0], HasSubstr("the converter is at its end from"));
  EXPECT_EQ(table.branches[0].rows.back()[3], 1023);
}

TEST(SenseTransfer, OfAThermistorIsOverTemperature) {
  SenseSweep sweep;
  sweep.channel = "thermistor";
  const Characteristic table = sense_transfer(ridge_board("a"), sweep);
  EXPECT_EQ(table.columns[1].name, "battery_degc");
  EXPECT_EQ(table.branches[0].rows.front()[1], -20);
  EXPECT_EQ(table.branches[0].rows.back()[1], 60);
  EXPECT_GT(table.branches[0].rows.front()[2], table.branches[0].rows.back()[2]) << "its resistance falls";
  sweep.to_v = 30;
  EXPECT_THAT(refusal_of([&] { (void)sense_transfer(ridge_board("a"), sweep); }), HasSubstr("--to-degc"));
}

/// Revision A with an amplifier of 50 across 5 milliohm, wired to what `quantity` says.
profile::BoardProfile with_a_shunt(profile::Quantity quantity, plant::SenseNode node) {
  profile::BoardProfile board = ridge_board("a");
  profile::SenseChannel& shunt = board.sense.emplace_back();
  shunt.name = "shunt";
  shunt.quantity = quantity;
  shunt.network = {node, plant::ShuntAmplifierParams{0.005, 50, 2.5, 1e-4}, 0, 0};
  return board;
}

TEST(SenseTransfer, OfAShuntIsItsAmplifiersLineUpToItsLimits) {
  profile::BoardProfile board = with_a_shunt(profile::Quantity::kBatteryCurrent, plant::SenseNode::kBatteryCurrent);
  board.declared.rated_charge_a = 10;
  board.declared.rated_load_a = 8;
  SenseSweep sweep;
  sweep.channel = "shunt";
  const Characteristic table = sense_transfer(board, sweep);
  EXPECT_EQ(table.columns[1].name, "sensed_a");
  const auto& rows = table.branches[0].rows;
  EXPECT_NEAR(rows.front()[1], -9.6, 1e-12) << "a fifth more than the loads take";
  EXPECT_NEAR(rows.back()[1], 12, 1e-12) << "a fifth more than the panel gives";
  for (const std::vector<double>& row : rows) {
    const double output_v = 2.5 + 50 * (0.005 * row[1] + 1e-4);
    const double held_v = std::clamp(output_v, 0.02, board.device.supply_v - 0.05);
    EXPECT_NEAR(row[2], held_v, 1e-3) << "at " << row[1] << " A";  // a parabola of 1 mV joins line and limit
    EXPECT_EQ(row[3], std::floor(row[2] / board.device.supply_v * 1024));
  }
  EXPECT_NEAR(rows.back()[2], 4.95, 1e-3) << "12 A are past the amplifier's end";
}

TEST(SenseTransfer, OfACurrentThatTheBoardDoesNotRateAsksForTheRange) {
  const profile::BoardProfile board = with_a_shunt(profile::Quantity::kChargeCurrent, plant::SenseNode::kChargeCurrent);
  SenseSweep sweep;
  sweep.channel = "shunt";
  EXPECT_THAT(refusal_of([&] { (void)sense_transfer(board, sweep); }), HasSubstr("--to-a"));
  sweep.to_a = 5;
  EXPECT_EQ(sense_transfer(board, sweep).branches[0].rows.front()[1], 0);
  sweep.to_v = 5;
  EXPECT_THAT(refusal_of([&] { (void)sense_transfer(board, sweep); }), HasSubstr("senses a current"));
}

TEST(SenseTransfer, OfThePanelGoesToTwiceTheNominalVoltage) {
  SenseSweep sweep;
  sweep.channel = "panel";
  const Characteristic table = sense_transfer(ridge_board("a"), sweep);
  EXPECT_EQ(table.branches[0].rows.back()[1], 48);
  EXPECT_NEAR(table.branches[0].rows.back()[2], 48.0 / 13, 1e-9) << "120 k over 10 k";
}

TEST(SenseTransfer, OfAChannelThatIsNotThereNamesTheNearest) {
  SenseSweep sweep;
  sweep.channel = "batery";
  EXPECT_THAT(refusal_of([&] { (void)sense_transfer(ridge_board("a"), sweep); }), HasSubstr("did you mean battery?"));
  sweep.channel = "battery";
  sweep.from_v = 20;
  sweep.to_v = 10;
  EXPECT_THAT(refusal_of([&] { (void)sense_transfer(ridge_board("a"), sweep); }), HasSubstr("--to-v"));
}

TEST(Table, IsWrittenWithUnitsInItsHeaderAndARowPerPoint) {
  const std::filesystem::path file = std::filesystem::path{::testing::TempDir()} / "panel.csv";
  write_csv(panel_curve(ridge_site(), {{500, 1000}, {25}, 10}), file);
  std::ifstream in{file};
  std::string line;
  ASSERT_TRUE(std::getline(in, line));
  EXPECT_EQ(line, "poa_wpm2,cell_degc,panel_v,panel_a,panel_w");
  int rows = 0;
  while (std::getline(in, line)) {
    ++rows;
    EXPECT_EQ(std::count(line.begin(), line.end(), ','), 4) << line;
  }
  EXPECT_EQ(rows, 22);
  std::filesystem::remove(file);
}

TEST(Table, LeavesThePlaceOfAFigureThatIsNoneEmpty) {
  Characteristic table{"t", {{"time_s", "t"}, {"sun_elevation_deg", "e"}, {"poa_wpm2", "p"}}, {{"b", {}}}, {}};
  table.branches[0].rows.push_back({1, std::numeric_limits<double>::quiet_NaN(), 3});
  const std::filesystem::path file = std::filesystem::path{::testing::TempDir()} / "gap.csv";
  write_csv(table, file);
  std::ifstream in{file};
  std::stringstream text;
  text << in.rdbuf();
  EXPECT_EQ(text.str(), "time_s,sun_elevation_deg,poa_wpm2\n1,,3\n");
  std::filesystem::remove(file);
}

TEST(Picture, ShowsEveryExtremeOfALongCurveAndPartsItWhereThereIsNoNumber) {
  report::XyCurve curve{"a", {}, {}};
  for (int i = 0; i < 100000; ++i) {
    curve.x.push_back(i);
    curve.y.push_back(i == 54321 ? 1.0 : 0.0);
  }
  curve.y[70000] = std::numeric_limits<double>::quiet_NaN();
  const std::string svg = report::xy_svg({"t", "x", {{"y", {curve}}}});
  EXPECT_LT(svg.size(), 40000U);
  curve.y[54321] = 0;
  EXPECT_NE(report::xy_svg({"t", "x", {{"y", {curve}}}}), svg) << "one sample in 100 000 that stands out";
  std::size_t lines = 0;
  for (std::size_t at = 0; (at = svg.find("<polyline", at)) != std::string::npos; ++at) ++lines;
  EXPECT_EQ(lines, 2U);
  EXPECT_EQ(svg.find("nan"), std::string::npos);
}

TEST(Picture, OfNothingIsStillAPicture) {
  EXPECT_THAT(report::xy_svg({"nothing", "x", {{"y", {}}}}), HasSubstr("</svg>"));
}

}  // namespace
}  // namespace dawnrig::characteristic
