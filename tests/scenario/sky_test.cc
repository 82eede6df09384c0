// Skies in scenario files: what a person may write, what comes out of it, and what he is told when it is no sky.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <set>

#include "harness/base/bad_input.h"
#include "harness/scenario/stimulus.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::scenario {
namespace {

using std::chrono::hours;
using std::chrono::seconds;
using ::testing::ElementsAre;
using ::testing::ElementsAreArray;
using ::testing::IsEmpty;

const std::string kHead = "name: \"s\" duration_s: 60\n";
const std::string kPlace =
    "begins: \"2026-06-21T13:00:00+01:00\" latitude_deg: 47 longitude_deg: 11 tilt_deg: 45 azimuth_deg: 180 ";

class SkyInAScenario : public base::testing::ScratchFolder {
 protected:
  [[nodiscard]] Scenario load(std::string_view text) const { return load_scenario(write("s", text)); }
  [[nodiscard]] Scenario over_place(const std::string& more) const {
    return load(kHead + "at { sky { over_place { " + kPlace + more + " } } }");
  }
  [[nodiscard]] std::vector<std::string> complaints_about(const std::string& sky) const {
    std::vector<std::string> lines;
    try {
      (void)load(kHead + "at { sky { " + sky + " } }");
    } catch (const base::BadInput& fault) {
      for (const base::Complaint& complaint : fault.complaints()) lines.push_back(local(complaint.text()));
    }
    return lines;
  }
  static const plant::SkyParams& sky_of(const Scenario& scenario) {
    return *std::get<Sky>(scenario.timeline.at(0).change).params;
  }
};

TEST_F(SkyInAScenario, OverAPlaceTakesTheStatedDefaults) {
  const Scenario scenario = over_place("broken_clouds { gap_s: 50 }");
  const auto& sky = std::get<plant::PlaceSky>(sky_of(scenario));
  EXPECT_EQ(sky.begins, std::chrono::sys_days{std::chrono::year{2026} / 6 / 21} + hours{12});
  EXPECT_EQ(sky.place.latitude_deg, 47);
  EXPECT_EQ(sky.place.altitude_m, 0);
  EXPECT_EQ(sky.plane.albedo_frac, 0.2);
  EXPECT_EQ(sky.linke_turbidity, 3);
  EXPECT_EQ(sky.broken_clouds->gap_s, 50);
  EXPECT_EQ(sky.broken_clouds->shadow_s, 100);
  EXPECT_FALSE(sky.fog.has_value());
}

TEST_F(SkyInAScenario, ThatBeginsAtOnceGivesTheSunAtPowerUpUnlessTheFileDoes) {
  EXPECT_GT(over_place("").initial.poa_wpm2, 800);
  EXPECT_LT(over_place("snow { light_frac: 0 slides_at_s: 10 }").initial.poa_wpm2, 1e-9);
  const std::string sky = "at { sky { over_place { " + kPlace + " } } }";
  EXPECT_EQ(load(kHead + "initial { poa_wpm2: 5 } " + sky).initial.poa_wpm2, 5);
  EXPECT_EQ(load(kHead + "at { time_s: 1 sky { over_place { " + kPlace + " } } }").initial.poa_wpm2, 0);
}

TEST_F(SkyInAScenario, HasAFingerprintThatEveryFigureChanges) {
  const std::vector<std::string> skies = {
      "over_place { " + kPlace + "}",
      "over_place { begins: \"2026-06-21T13:00:00.5+01:00\" latitude_deg: 47 longitude_deg: 11 tilt_deg: 45 "
      "azimuth_deg: 180 }",
      "over_place { " + kPlace + "altitude_m: 1 }",
      "over_place { " + kPlace + "albedo_frac: 0.3 }",
      "over_place { " + kPlace + "linke_turbidity: 4 }",
      "over_place { " + kPlace + "cloud { begins_s: 1 shadow_s: 2 } }",
      "over_place { " + kPlace + "cloud { begins_s: 1 shadow_s: 2 near_edge_s: 1 } }",
      "over_place { " + kPlace + "cloud { begins_s: 1 shadow_s: 2 far_edge_s: 1 } }",
      "over_place { " + kPlace + "cloud { begins_s: 1 shadow_s: 2 light_frac: 0.1 } }",
      "over_place { " + kPlace + "cloud { begins_s: 1 shadow_s: 2 brightening_frac: 0.1 } }",
      "over_place { " + kPlace + "cloud { begins_s: 1 shadow_s: 2 halo_s: 1 } }",
      "over_place { " + kPlace + "broken_clouds { } }",
      "over_place { " + kPlace + "broken_clouds { gap_s: 1 } }",
      "over_place { " + kPlace + "broken_clouds { shadow_s: 1 } }",
      "over_place { " + kPlace + "broken_clouds { spread: 1 } }",
      "over_place { " + kPlace + "broken_clouds { darkest_frac: 0.1 } }",
      "over_place { " + kPlace + "broken_clouds { brightest_frac: 0.7 } }",
      "over_place { " + kPlace + "broken_clouds { fastest_edge_s: 2 } }",
      "over_place { " + kPlace + "broken_clouds { slowest_edge_s: 30 } }",
      "over_place { " + kPlace + "broken_clouds { most_brightening_frac: 0.1 } }",
      "over_place { " + kPlace + "fog { optical_depth: 3 lifts_at_s: 4 } }",
      "over_place { " + kPlace + "fog { optical_depth: 3 lifts_at_s: 4 lifts_over_s: 5 } }",
      "over_place { " + kPlace + "snow { light_frac: 0.1 slides_at_s: 4 } }",
      "over_place { " + kPlace + "snow { light_frac: 0.1 slides_at_s: 4 slides_over_s: 5 } }",
      "ramps { standard: LOW_TO_MEDIUM }",
      "ramps { standard: MEDIUM_TO_HIGH }",
      "ramps { standard: START_AND_STOP }",
      "ramps { row { low_wpm2: 1 high_wpm2: 2 slope_wpm2_per_s: 3 count: 4 } }",
      "ramps { row { low_wpm2: 1 high_wpm2: 2 slope_wpm2_per_s: 3 count: 4 settle_s: 5 } }",
      "ramps { row { low_wpm2: 1 high_wpm2: 2 slope_wpm2_per_s: 3 count: 4 dwell_s: 5 } }",
      "series { file: \"a.csv\" }",
      "series { file: \"b.csv\" }",
      "series { file: \"c.csv\" }"};
  (void)write("a.csv", "time_s,poa_wpm2\n0,100\n60,200\n");
  (void)write("b.csv", "time_s,poa_wpm2\n0,100\n60,201\n");
  (void)write("c.csv", "time_s,poa_wpm2,ambient_degc\n0,100,5\n60,200,6\n");
  std::set<std::string> seen;
  for (const std::string& sky : skies) {
    EXPECT_TRUE(seen.insert(fingerprint(load(kHead + "at { sky { " + sky + " } }"))).second) << sky;
  }
}

TEST_F(SkyInAScenario, IsRefusedWhereItIsNoSky) {
  const std::vector<std::pair<std::string, std::vector<std::string>>> faults = {
      {"", {"s:2:6: at[0].sky: has no kind, write one of over_place, ramps, series"}},
      {"over_place { begins: \"2026-02-30T13:00:00Z\" latitude_deg: 47 longitude_deg: 11 tilt_deg: 45 azimuth_deg: 180 "
       "}",
       {"s:2:33: at[0].sky.over_place.begins: is \"2026-02-30T13:00:00Z\", must be a date and a time, like "
        "2026-06-21T05:00:00+01:00"}},
      {"over_place { begins: \"2026-02-20 13:00\" latitude_deg: 47 longitude_deg: 11 tilt_deg: 45 azimuth_deg: 180 }",
       {"s:2:33: at[0].sky.over_place.begins: is \"2026-02-20 13:00\", must be with its offset from UTC, like "
        "2026-06-21T05:00:00+01:00"}},
      {"over_place { " + kPlace + "cloud { begins_s: 100 shadow_s: 10 } cloud { begins_s: 110 shadow_s: 10 } }",
       {"s:2:181: at[0].sky.over_place.cloud[1].begins_s: comes before the cloud before it is over, halo and all"}},
      {"over_place { " + kPlace + "broken_clouds { darkest_frac: 0.7 } }",
       {"s:2:126: at[0].sky.over_place.broken_clouds.brightest_frac: is 0.6, must be at least 0.7"}},
      {"over_place { " + kPlace + "cloud { begins_s: 100 shadow_s: 10 } broken_clouds { } }",
       {"s:2:163: at[0].sky.over_place.broken_clouds: cannot stand beside single clouds; write one or the other"}},
      {"over_place { begins: \"2026-06-21T05:00Z\" latitude_deg: 95 longitude_deg: 11 tilt_deg: 45 azimuth_deg: 180 }",
       {"s:2:67: at[0].sky.over_place.latitude_deg: is 95, must be at most 90"}},
      {"ramps { }", {"s:2:12: at[0].sky.ramps: has neither a standard nor a row"}},
      {"ramps { row { low_wpm2: 500 high_wpm2: 100 slope_wpm2_per_s: 3 count: 4 } }",
       {"s:2:51: at[0].sky.ramps.row[0].high_wpm2: is 100, must be above 500"}},
      {"series { file: \"none.csv\" }", {"s:2:27: at[0].sky.series.file: none.csv: does not exist"}},
  };
  for (const auto& [sky, complaints] : faults) {
    EXPECT_THAT(complaints_about(sky), ElementsAreArray(complaints)) << sky;
  }
}

TEST_F(SkyInAScenario, OfASeriesCountsFromItsFirstRowAndSaysWhatItMended) {
  (void)write("day.csv",
              "# from the roof\ntime, poa_wpm2 ,ambient_degc\n2026-06-21T05:00:00Z,-3.5,4\n2026-06-21T05:01:00Z,10,\n"
              "2026-06-21T05:02:00Z,,5\n2026-06-21T05:03:00Z,30,5\r\n2026-06-21T05:04:00Z,40,6\n"
              "2026-06-21T05:05:00Z,50,6\n");
  const Scenario scenario = load(kHead + "at { sky { series { file: \"day.csv\" } } }");
  const auto& points = std::get<plant::SeriesSky>(sky_of(scenario)).points;
  ASSERT_EQ(points.size(), 5U);
  EXPECT_EQ(points[0].poa_wpm2, 0);
  EXPECT_EQ(points[1].at, seconds{60});
  EXPECT_EQ(points[1].ambient_degc, 4);
  EXPECT_EQ(points[2].at, seconds{180});
  EXPECT_EQ(points[2].ambient_degc, 5);
  EXPECT_EQ(scenario.initial.ambient_degc, 4);
  std::vector<std::string> notes;
  for (const std::string& note : scenario.notes) notes.push_back(local(note));
  EXPECT_THAT(notes,
              ElementsAre("day.csv:6: 120 s without values before it, bridged by a straight line",
                          "day.csv: 1 row(s) without a value left out", "day.csv: 1 value(s) below zero taken for 0"));
}

TEST_F(SkyInAScenario, OfASeriesBelongsToTheHashOfTheScenario) {
  const std::string text = kHead + "at { sky { series { file: \"day.csv\" } } }";
  (void)write("day.csv", "time_s,poa_wpm2\n0,1\n60,2\n");
  const std::string first = load(text).sha256;
  EXPECT_EQ(load(text).sha256, first);
  (void)write("day.csv", "time_s,poa_wpm2\n0,1\n60,3\n");
  EXPECT_NE(load(text).sha256, first);
}

TEST_F(SkyInAScenario, OfASeriesIsRefusedWithEveryFaultAtItsPlace) {
  const std::vector<std::pair<std::string, std::vector<std::string>>> faults = {
      {"", {"day.csv: is empty, must begin with the names of its columns, like time,poa_wpm2"}},
      {"time_s,poa_wpm2\n", {"day.csv:1:1: poa_wpm2: has no value"}},
      {"time_s,poa_kwpm2\n",
       {"day.csv:1:8: poa_kwpm2: is in kwpm2, must be in wpm2: poa_wpm2", "day.csv:1:1: poa_wpm2: is missing"}},
      {"time_s,poa_wpm2,ambient_degf\n", {"day.csv:1:17: ambient_degf: is in degf, must be in degc: ambient_degc"}},
      {"tiem,poa_wpm2\n",
       {"day.csv:1:1: tiem: is no column of a series; did you mean time?",
        "day.csv:1:1: time: is missing, must be time or time_s"}},
      {"time,time_s,poa_wpm2\n", {"day.csv:1:1: time: stands beside time_s, must be one or the other"}},
      {"time_s,poa_wpm2,poa_wpm2\n", {"day.csv:1:17: poa_wpm2: stands twice"}},
      {"time_s,poa_wpm2\n0,1\n60,bright\n120,2600\n180\n60,5\nsoon,5\n240,-30\n",
       {"day.csv:3:4: poa_wpm2: is \"bright\", must be a number",
        "day.csv:4:5: poa_wpm2: is 2600, must be from -20 to 2500",
        "day.csv:5:1: has 1 cells, must have 2 as the first line has",
        "day.csv:6:1: time_s: is \"60\", must lie after the row before it",
        "day.csv:7:1: time_s: is \"soon\", must be seconds, a number",
        "day.csv:8:5: poa_wpm2: is -30, must be from -20 to 2500"}},
      {"time,poa_wpm2\n2026-06-21T05:00:00Z,1\n2026-06-21T05:01:00,1\n2026-06-21 25:00,1\n",
       {"day.csv:3:1: time: is written without an offset from UTC, the first row is not",
        "day.csv:4:1: time: is \"2026-06-21 25:00\", must be like 2026-06-21T05:00:00Z"}},
      {"time_s,poa_wpm2\n0,1\n60,1\n120,1\n180,1\n4000,1\n",
       {"day.csv:6:1: poa_wpm2: comes after 3820 s without values, must be at most longest_gap_s (3600)"}},
  };
  for (const auto& [csv, complaints] : faults) {
    (void)write("day.csv", csv);
    std::vector<std::string> expected;
    for (const std::string& complaint : complaints) expected.push_back("s:2:27: at[0].sky.series.file: " + complaint);
    EXPECT_THAT(complaints_about("series { file: \"day.csv\" }"), ElementsAreArray(expected)) << csv;
  }
  // A longer gap may be allowed by name.
  EXPECT_THAT(complaints_about("series { file: \"day.csv\" longest_gap_s: 4000 }"), IsEmpty());
}

TEST_F(SkyInAScenario, OfASeriesTellsOfTwentyFaultsAndCountsTheRest) {
  std::string csv = "time_s,poa_wpm2\n";
  for (int i = 0; i < 50; ++i) csv += std::to_string(i) + ",x\n";
  (void)write("day.csv", csv);
  const auto complaints = complaints_about("series { file: \"day.csv\" }");
  ASSERT_EQ(complaints.size(), 21U);
  EXPECT_THAT(complaints.back(), ::testing::HasSubstr("and 30 more"));
}

}  // namespace
}  // namespace dawnrig::scenario
