// A day of sky as a table, against the rig that walks the same timeline and against what is worked out by hand.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstring>

#include "harness/characteristic/characteristic.h"
#include "harness/rig/world.h"
#include "plant/circuit.h"
#include "tests/characteristic/refusal.h"

namespace dawnrig::characteristic {
namespace {

using namespace std::chrono_literals;
using ::testing::HasSubstr;

const std::string kFixtures = std::string{DAWNRIG_SOURCE_DIR} + "/fixtures/";

scenario::Scenario timeline(Nanos duration, std::vector<scenario::Stimulus> stimuli) {
  scenario::Scenario made;
  made.name = "by hand";
  made.duration = duration;
  made.seed = 7;
  made.timeline = std::move(stimuli);
  return made;
}

std::vector<double> column(const Characteristic& table, const std::string& name) {
  std::vector<double> values;
  for (std::size_t c = 0; c < table.columns.size(); ++c) {
    if (table.columns[c].name != name) continue;
    for (const std::vector<double>& row : table.branches.at(0).rows) values.push_back(row[c]);
  }
  EXPECT_FALSE(values.empty()) << "no column " << name;
  return values;
}

profile::SiteProfile site(const char* name) {
  return profile::load_site(kFixtures + "profiles/" + name + ".textproto");
}

/// Every kind of stimulus that moves light or weather, some of them at one instant.
scenario::Scenario eventful() {
  const auto place = std::get<scenario::Sky>(
      scenario::load_scenario(kFixtures + "scenarios/an_hour_of_broken_clouds.textproto").timeline.at(1).change);
  plant::SeriesSky series;
  series.points = {{0s, 100.0, 3.0}, {10s, 500.0, 4.0}, {20s, 200.0, 5.0}};
  return timeline(600s, {{0s, place},
                         {100s, scenario::Wind{6.0}},
                         {100s, scenario::AmbientTemperature{-5.0}},
                         {200s, scenario::Shade{{{1, 0.4}, {3, 0.2}}}},
                         {250s, scenario::Sun{900.0, 5s}},
                         {255s, scenario::Sun{300.0, 0s}},
                         {255s, scenario::LoadSwitching{"nobody's", true, 1.0}},
                         {300s, scenario::Sky{std::make_shared<const plant::SkyParams>(series)}},
                         {350s, place},
                         {500s, scenario::Shade{}}});
}

TEST(SkyDay, IsWhatTheRigsWorldWalksThroughToTheLastBit) {
  const scenario::Scenario scenario = eventful();
  const profile::SiteProfile modules = site("ridge_repeater_modules_site");
  const profile::BoardProfile board = profile::load_board(kFixtures + "profiles/ridge_repeater_a.textproto");
  SkySweep sweep;
  sweep.every_s = 0.25;
  const Characteristic table = sky_day(scenario, nullptr, sweep);
  const std::vector<double> time_s = column(table, "time_s");
  const std::vector<double> poa_wpm2 = column(table, "poa_wpm2");
  const std::vector<double> ambient_degc = column(table, "ambient_degc");
  sweep.every_s = 10;  // finding the best power of a shaded array takes its time
  const std::vector<double> light_frac = column(sky_day(scenario, &modules, sweep), "light_frac");
  ASSERT_EQ(time_s.size(), 2401U);

  // The rig's own way through a timeline: to the next corner or stimulus, corners first.
  rig::World world{board, modules, scenario.initial, scenario.seed};
  std::size_t next = 0;
  Nanos now{0};
  const auto to = [&](Nanos until) {
    while (now < until) {
      now = std::min(until, std::max(now, world.next_change().value_or(until)));
      (void)world.change_by(now);
    }
  };
  for (std::size_t row = 0; row < time_s.size(); ++row) {
    const Nanos at = std::chrono::milliseconds{250} * static_cast<std::int64_t>(row);
    while (next < scenario.timeline.size() && scenario.timeline[next].time <= at) {
      to(scenario.timeline[next].time);
      const scenario::Change& change = scenario.timeline[next++].change;
      if (!std::holds_alternative<scenario::LoadSwitching>(change)) world.apply(change, now);
    }
    to(at);
    const plant::Conditions& c = world.conditions();
    const double seen_wpm2 = std::max(0.0, c.sun.poa_wpm2 + c.sun.slope_wpm2_per_s * in_seconds(now - c.sun.since));
    const double seen_frac = (c.panel_shade.light_frac[0] + c.panel_shade.light_frac[1] + c.panel_shade.light_frac[2] +
                              c.panel_shade.light_frac[3]) /
                             4.0;
    ASSERT_EQ(poa_wpm2[row], seen_wpm2) << "at " << time_s[row] << " s";
    ASSERT_EQ(ambient_degc[row], c.ambient_degc) << "at " << time_s[row] << " s";
    if (row % 40 == 0) {
      ASSERT_EQ(light_frac[row / 40], seen_frac) << "at " << time_s[row] << " s";
    }
  }
  EXPECT_EQ(light_frac[22], 0.65) << "at 220 s two of four sub-strings are shaded";
  EXPECT_EQ(ambient_degc[1300], 5.0) << "at 325 s the series says so";
}

TEST(SkyDay, KeepsCellsAsWarmAsTheCircuitDoes) {
  scenario::Scenario scenario = eventful();
  scenario.initial.poa_wpm2 = 800;
  scenario.initial.ambient_degc = 10;
  const profile::SiteProfile modules = site("ridge_repeater_modules_site");
  const profile::BoardProfile board = profile::load_board(kFixtures + "profiles/ridge_repeater_a.textproto");
  SkySweep sweep;
  sweep.every_s = 10;
  const std::vector<double> cell_degc = column(sky_day(scenario, &modules, sweep), "cell_degc");
  const plant::Circuit circuit{profile::circuit_of(board, modules)};
  rig::World world{board, modules, scenario.initial, scenario.seed};
  plant::CircuitState state = circuit.at_rest(world.at_rest(), world.conditions());
  EXPECT_NEAR(cell_degc[0], state.cell_degc, 1e-12);
  std::size_t next = 0;
  double worst_k = 0;
  for (std::size_t second = 0; second <= 600; second += 10) {
    const Nanos until = std::chrono::seconds{second};
    for (;;) {
      const bool due = next < scenario.timeline.size() && scenario.timeline[next].time <= until;
      Nanos stop = due ? scenario.timeline[next].time : until;
      stop = std::min(stop, std::max(state.now, world.next_change().value_or(stop)));
      ASSERT_EQ(circuit.advance(state, world.conditions(), stop, nullptr), plant::AdvanceStatus::kOk);
      (void)world.change_by(state.now);
      if (due && state.now == scenario.timeline[next].time) {
        const scenario::Change& change = scenario.timeline[next++].change;
        if (!std::holds_alternative<scenario::LoadSwitching>(change)) world.apply(change, state.now);
      } else if (state.now == until) {
        break;
      }
    }
    worst_k = std::max(worst_k, std::abs(cell_degc[second / 10] - state.cell_degc));
    ASSERT_NEAR(cell_degc[second / 10], state.cell_degc, 0.01) << "at " << second << " s";
  }
  std::printf("cells of the table against the circuit: %.1e K at worst\n", worst_k);
}

TEST(SkyDay, AddsUpTheLightOfATriangleByHand) {
  // 0 to 1000 W/m2 in 100 s, down again in 300 s: 200 000 J/m2.
  const scenario::Scenario scenario =
      timeline(500s, {{0s, scenario::Sun{1000.0, 100s}}, {100s, scenario::Sun{0.0, 300s}}});
  SkySweep sweep;
  sweep.every_s = 50;
  const Characteristic table = sky_day(scenario, nullptr, sweep);
  const std::vector<double> mean_wpm2 = column(table, "mean_poa_wpm2");
  const std::vector<double> expected = {0, 250, 750, 2750. / 3, 2250. / 3, 1750. / 3, 1250. / 3, 250, 250. / 3, 0, 0};
  ASSERT_EQ(mean_wpm2.size(), expected.size());
  for (std::size_t i = 0; i < expected.size(); ++i) EXPECT_NEAR(mean_wpm2[i], expected[i], 1e-9) << "row " << i;
  ASSERT_EQ(table.remarks.size(), 1U);
  EXPECT_THAT(table.remarks[0], HasSubstr("55.6 Wh/m² from 0 s to 500 s, the highest light 1000 W/m² at 100 s"));
}

TEST(SkyDay, LetsAWindCoolTheCellsToWhereFaimansFormulaSettles) {
  scenario::Scenario scenario = timeline(14400s, {{7200s, scenario::Wind{8}}});
  scenario.initial.poa_wpm2 = 1000;
  scenario.initial.ambient_degc = 20;
  const profile::SiteProfile modules = site("ridge_repeater_modules_site");  // 25 and 6.84 W/m2 per kelvin
  const std::vector<double> cell_degc =
      column(sky_day(scenario, &modules, {0, std::nullopt, 7200, std::nullopt}), "cell_degc");
  ASSERT_EQ(cell_degc.size(), 3U);
  EXPECT_NEAR(cell_degc[1], 20 + 1000 / (25 + 6.84 * 1), 0.01) << "in the breeze that is assumed unless told";
  EXPECT_NEAR(cell_degc[2], 20 + 1000 / (25 + 6.84 * 8), 0.01) << "two hours after the wind rose";
}

TEST(SkyDay, OfAWindowIsThatPartOfTheWholeDay) {
  const scenario::Scenario scenario =
      scenario::load_scenario(kFixtures + "scenarios/an_hour_of_broken_clouds.textproto");
  SkySweep sweep;
  sweep.every_s = 10;
  const std::vector<double> whole_wpm2 = column(sky_day(scenario, nullptr, sweep), "poa_wpm2");
  sweep.from_s = 1000;
  sweep.to_s = 1995;
  const Characteristic part = sky_day(scenario, nullptr, sweep);
  const std::vector<double> part_wpm2 = column(part, "poa_wpm2");
  ASSERT_EQ(part_wpm2.size(), 101U) << "and a last, shorter row";
  for (std::size_t i = 0; i + 1 < part_wpm2.size(); ++i) ASSERT_EQ(part_wpm2[i], whole_wpm2[100 + i]) << "row " << i;
  EXPECT_EQ(column(part, "time_s").back(), 1995);
}

TEST(SkyDay, IsAnotherWithAnotherSeed) {
  const scenario::Scenario scenario =
      scenario::load_scenario(kFixtures + "scenarios/an_hour_of_broken_clouds.textproto");
  SkySweep sweep;
  const std::vector<double> own_wpm2 = column(sky_day(scenario, nullptr, sweep), "poa_wpm2");
  sweep.seed = scenario.seed;
  EXPECT_EQ(column(sky_day(scenario, nullptr, sweep), "poa_wpm2"), own_wpm2);
  sweep.seed = scenario.seed + 1;
  EXPECT_NE(column(sky_day(scenario, nullptr, sweep), "poa_wpm2"), own_wpm2);
}

TEST(SkyDay, ShowsTheSunWhereItStandsAndNothingWhereNoPlaceIsNamed) {
  const scenario::Scenario day = scenario::load_scenario(kFixtures + "scenarios/a_day_on_the_ridge.textproto");
  const Characteristic table = sky_day(day, nullptr, {});
  const std::vector<double> elevation_deg = column(table, "sun_elevation_deg");
  const std::vector<double> poa_wpm2 = column(table, "poa_wpm2");
  const std::vector<double> clear_wpm2 = column(table, "clear_poa_wpm2");
  // At an equinox the sun culminates at 90 degrees less the latitude, 47; the rest of its declination is 0.1 degrees.
  EXPECT_NEAR(*std::max_element(elevation_deg.begin(), elevation_deg.end()), 43.0, 0.3);
  for (std::size_t i = 0; i < poa_wpm2.size(); ++i) ASSERT_NEAR(poa_wpm2[i], clear_wpm2[i], 0.2) << "minute " << i;

  const Characteristic nowhere = sky_day(timeline(60s, {{0s, scenario::Sun{500.0, 0s}}}), nullptr, {});
  for (const Column& c : nowhere.columns) EXPECT_NE(c.name, "sun_elevation_deg");
  scenario::Scenario ends = day;
  ends.timeline.push_back({80000s, scenario::Sun{0.0, 0s}});
  EXPECT_TRUE(std::isnan(column(sky_day(ends, nullptr, {}), "sun_elevation_deg").back()));
}

TEST(SkyDay, GivesTheBestPowerOfThePanelInItsShadeAndWarmth) {
  scenario::Scenario scenario = timeline(60s, {{30s, scenario::Shade{{{2, 0.4}}}}});
  scenario.initial.poa_wpm2 = 1000;
  const profile::SiteProfile modules = site("ridge_repeater_modules_site");
  const Characteristic table = sky_day(scenario, &modules, {0, std::nullopt, 30, std::nullopt});
  const std::vector<double> panel_w = column(table, "panel_w");
  const std::vector<double> cell_degc = column(table, "cell_degc");
  for (const std::size_t row : {0U, 1U}) {
    PanelSweep sweep{{1000}, {cell_degc[row]}, 20000, {1, 1, row == 0 ? 1.0 : 0.4, 1}};
    double best_w = 0;
    const Characteristic curve = panel_curve(modules, sweep);
    for (const std::vector<double>& point : curve.branches[0].rows) {
      best_w = std::max(best_w, point[4]);
    }
    EXPECT_NEAR(panel_w[row], best_w, 1e-4 * best_w) << "row " << row;
  }
  EXPECT_LT(panel_w[1], 0.8 * panel_w[0]);
}

TEST(SkyDay, OfNoWindowIsRefusedInTheWordsOfTheOption) {
  const scenario::Scenario scenario = timeline(60s, {{0s, scenario::Shade{{{0, 0.5}}}}});
  const auto refusal = [&](SkySweep sweep) { return refusal_of([&] { (void)sky_day(scenario, nullptr, sweep); }); };
  EXPECT_THAT(refusal({61, std::nullopt, 1, {}}), HasSubstr("--from-s"));
  EXPECT_THAT(refusal({30, 20, 1, {}}), HasSubstr("--to-s"));
  EXPECT_THAT(refusal({0, 60, 0, {}}), HasSubstr("--every-s"));
  EXPECT_THAT(refusal({0, 60, 1e-5, {}}), HasSubstr("--every-s"));
  const profile::SiteProfile single = site("ridge_repeater_site");
  EXPECT_THAT(refusal_of([&] { (void)sky_day(scenario, &single, {}); }), HasSubstr("no sub-strings to shade"));
}

}  // namespace
}  // namespace dawnrig::characteristic
