// Plant, sky: clouds, fog, snow, ramps and series as straight lines, against the sky they stand for.
#include "plant/sky/sky.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace dawnrig::plant {
namespace {

using std::chrono::hours;
using std::chrono::seconds;

constexpr std::uint64_t kSeed = 5;

// The ridge: 47 N, 11 E, 1900 m, panel at 45 degrees due south; the longest day from 04:00 at UTC+1.
PlaceSky ridge() {
  PlaceSky sky;
  sky.place = {47.0, 11.0, 1900.0};
  sky.plane = {45.0, 180.0, 0.2};
  sky.begins = std::chrono::sys_days{std::chrono::year{2026} / 6 / 21} + hours{3};
  sky.air.pressure_pa = sky.place.pressure_pa();
  return sky;
}

std::shared_ptr<const SkyParams> shared(SkyParams sky) {
  return std::make_shared<const SkyParams>(std::move(sky));
}

std::vector<SkyLine> lines_until(SkyRun& run, Nanos end) {
  std::vector<SkyLine> lines;
  while (run.now() < end) lines.push_back(run.next());
  return lines;
}

// The light on the lines at t, which must be asked for in order.
class Along {
 public:
  explicit Along(SkyRun run) : run_{std::move(run)}, line_{run_.next()} {}
  double operator()(Nanos t) {
    while (line_.until < t) {
      since_ = line_.until;
      line_ = run_.next();
    }
    const double part = line_.until == since_ ? 1.0 : in_seconds(t - since_) / in_seconds(line_.until - since_);
    return line_.from_wpm2 + (line_.to_wpm2 - line_.from_wpm2) * part;
  }

 private:
  SkyRun run_;
  SkyLine line_;
  Nanos since_{0};
};

// What a passage leaves of the light, written out anew.
double share(const CloudPassage& c, double t) {
  const auto between = [](double x, double x0, double x1, double y0, double y1) {
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0);
  };
  const double near = c.begins_s;
  const double shade = near + c.near_edge_s;
  const double light = shade + c.shadow_s;
  const double far = light + c.far_edge_s;
  const double bright = 1.0 + c.brightening_frac;
  if (t <= near - c.halo_s || t >= far + c.halo_s) return 1.0;
  if (t < near) return between(t, near - c.halo_s, near, 1.0, bright);
  if (t < shade) return between(t, near, shade, bright, c.light_frac);
  if (t < light) return c.light_frac;
  if (t < far) return between(t, light, far, c.light_frac, bright);
  return between(t, far, far + c.halo_s, bright, 1.0);
}

TEST(Sky, OfAClearDayIsStraightLinesWithinTheToleranceAndFewOfThem) {
  const PlaceSky sky = ridge();
  SkyRun run{shared(sky), kSeed};
  const auto lines = lines_until(run, hours{24});
  Along along{SkyRun{shared(sky), kSeed}};
  double worst = 0.0;
  double highest = 0.0;
  for (Nanos t{0}; t < hours{24}; t += seconds{7}) {
    const double exact = clear_poa_wpm2(sky, t);
    worst = std::max(worst, std::abs(along(t) - exact));
    highest = std::max(highest, exact);
  }
  std::printf("clear day: %zu lines, worst miss %.4f W/m2, highest %.1f W/m2\n", lines.size(), worst, highest);
  EXPECT_LT(worst, 2.0 * SkyRun::kToleranceWpm2);
  EXPECT_LT(lines.size(), 2000U);
  EXPECT_GT(highest, 900.0);
  EXPECT_EQ(along(hours{24}), 0.0);
}

TEST(Sky, OfPassingCloudsIsTheClearSkyTimesTheirShareWithinTheTolerance) {
  PlaceSky sky = ridge();
  sky.clouds = {{20000.0, 0.1, 3.0, 0.1, 0.2, 0.3, 1.0}, {20100.0, 5.0, 60.0, 12.0, 0.4, 0.1, 20.0}};
  Problems problems;
  sky.check(problems);
  ASSERT_TRUE(problems.empty());
  Along along{SkyRun{shared(sky), kSeed}};
  double worst = 0.0;
  double highest_share = 0.0;
  for (Nanos t = seconds{19990}; t < seconds{20250}; t += Nanos{3'700'000}) {
    const double s = in_seconds(t);
    const double expected = clear_poa_wpm2(sky, t) * share(sky.clouds[0], s) * share(sky.clouds[1], s);
    const double found = along(t);
    worst = std::max(worst, std::abs(found - expected));
    highest_share = std::max(highest_share, found / clear_poa_wpm2(sky, t));
  }
  std::printf("passing clouds: worst miss %.4f W/m2, highest share %.3f\n", worst, highest_share);
  EXPECT_LT(worst, 2.0 * SkyRun::kToleranceWpm2);
  EXPECT_NEAR(highest_share, 1.3, 0.01);  // brighter than the clear sky at the edge
}

TEST(Sky, FallsAtAnEdgeOfATenthOfASecondInATenthOfASecond) {
  PlaceSky sky = ridge();
  sky.clouds = {{20000.0, 0.1, 3.0, 0.1, 0.2, 0.0, 0.1}};
  SkyRun run{shared(sky), kSeed};
  for (const SkyLine& line : lines_until(run, seconds{20010})) {
    if (line.until != Nanos{20'000'100'000'000}) continue;
    EXPECT_NEAR(line.to_wpm2 / line.from_wpm2, 0.2, 1e-4);
    return;
  }
  FAIL() << "no line ends with the edge";
}

TEST(Sky, UnderBrokenCloudsIsTheSameForTheSameSeedAndAnotherForAnother) {
  PlaceSky sky = ridge();
  sky.broken_clouds = BrokenClouds{};
  const auto params = shared(sky);
  const auto of_seed = [&](std::uint64_t seed) {
    SkyRun run{params, seed};
    return lines_until(run, hours{12});
  };
  const auto same = [](const std::vector<SkyLine>& a, const std::vector<SkyLine>& b) {
    return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](const SkyLine& x, const SkyLine& y) {
      return x.until == y.until && x.from_wpm2 == y.from_wpm2 && x.to_wpm2 == y.to_wpm2;
    });
  };
  EXPECT_TRUE(same(of_seed(1), of_seed(1)));
  EXPECT_FALSE(same(of_seed(1), of_seed(2)));
}

TEST(Sky, RunCopiedMidwayGoesOnAsTheOriginal) {
  PlaceSky sky = ridge();
  sky.broken_clouds = BrokenClouds{};
  SkyRun run{shared(sky), kSeed};
  lines_until(run, hours{8});
  SkyRun copy = run;
  for (int i = 0; i < 500; ++i) {
    const SkyLine a = run.next();
    const SkyLine b = copy.next();
    ASSERT_EQ(a.until, b.until);
    ASSERT_EQ(a.to_wpm2, b.to_wpm2);
  }
}

TEST(Sky, LinesFollowOneAnotherWithoutAJumpUnderAnyWeather) {
  PlaceSky sky = ridge();
  sky.broken_clouds = BrokenClouds{};
  sky.fog = Fog{8.0, 15000.0, 3000.0};
  sky.snow = Snow{0.05, 17000.0, 40.0};
  SkyRun run{shared(sky), kSeed};
  Nanos since{0};
  double last = 0.0;
  for (const SkyLine& line : lines_until(run, hours{20})) {
    ASSERT_GE(line.until, since);
    ASSERT_EQ(line.from_wpm2, last);
    ASSERT_GE(line.to_wpm2, 0.0);
    since = line.until;
    last = line.to_wpm2;
  }
}

TEST(Sky, FogLiftsAndSnowSlidesWhenTheySay) {
  PlaceSky sky = ridge();
  sky.fog = Fog{10.0, 18000.0, 600.0};
  Along foggy{SkyRun{shared(sky), kSeed}};
  EXPECT_LT(foggy(seconds{18000}), 0.75 * clear_poa_wpm2(sky, seconds{18000}));
  EXPECT_NEAR(foggy(seconds{18601}), clear_poa_wpm2(sky, seconds{18601}), 0.2);
  sky.fog.reset();
  sky.snow = Snow{0.05, 18000.0, 60.0};
  Along snowed{SkyRun{shared(sky), kSeed}};
  EXPECT_NEAR(snowed(seconds{18000}) / clear_poa_wpm2(sky, seconds{18000}), 0.05, 1e-3);
  EXPECT_NEAR(snowed(seconds{18030}) / clear_poa_wpm2(sky, seconds{18030}), 0.525, 1e-3);
  EXPECT_NEAR(snowed(seconds{18060}) / clear_poa_wpm2(sky, seconds{18060}), 1.0, 1e-3);
}

// The totals that Alonso and Chenlo print for their copy of the tables: 15 939, 6 987 and 2 320 s.
TEST(Ramps, OfTheStandardLastAsLongAsItsTablesSay) {
  const auto duration_s = [](RampStandard standard, double until_wpm2) {
    SkyRun run{shared(standard_ramps(standard)), 0};
    Nanos end{0};
    Nanos idle{0};
    while (idle < hours{1}) {  // the sky goes on at the low level for ever
      const SkyLine line = run.next();
      idle = line.from_wpm2 == until_wpm2 && line.to_wpm2 == until_wpm2 ? idle + SkyRun::kLongest : Nanos{0};
      if (idle <= SkyRun::kLongest) end = line.until;
    }
    return in_seconds(end);
  };
  EXPECT_NEAR(duration_s(RampStandard::kLowToMedium, 100.0), 15939.0, 1.0);
  EXPECT_NEAR(duration_s(RampStandard::kMediumToHigh, 300.0), 6987.0, 1.0);
  EXPECT_NEAR(duration_s(RampStandard::kStartAndStop, 2.0), 2320.0, 1.0);
}

TEST(Ramps, ClimbAtTheirSlopeAndDwellAtBothLevels) {
  RampSky sky;
  sky.rows = {{100.0, 500.0, 20.0, 2, 5.0, 3.0}};
  SkyRun run{shared(sky), 0};
  const auto lines = lines_until(run, seconds{97});
  ASSERT_EQ(lines.size(), 9U);
  EXPECT_EQ(lines[0].until, seconds{5});
  EXPECT_EQ(lines[1].until, seconds{25});
  EXPECT_EQ(lines[1].to_wpm2, 500.0);
  EXPECT_EQ(lines[2].until, seconds{28});
  EXPECT_EQ(lines[3].to_wpm2, 100.0);
  EXPECT_EQ(lines[8].until, seconds{97});
  EXPECT_EQ(run.next().to_wpm2, 100.0);
}

TEST(Series, RunsStraightBetweenItsPointsAndStaysAtItsLast) {
  SeriesSky sky;
  sky.points = {{Nanos{0}, 100.0, 10.0}, {seconds{60}, 400.0, 11.0}, {seconds{90}, 0.0, 12.0}};
  SkyRun run{shared(sky), 0};
  const SkyLine first = run.next();
  EXPECT_EQ(first.until, seconds{60});
  EXPECT_EQ(first.from_wpm2, 100.0);
  EXPECT_EQ(first.to_wpm2, 400.0);
  EXPECT_EQ(first.ambient_degc, 10.0);
  EXPECT_EQ(run.next().ambient_degc, 11.0);
  const SkyLine after = run.next();
  EXPECT_GT(after.until, seconds{90});
  EXPECT_EQ(after.to_wpm2, 0.0);
  EXPECT_EQ(after.ambient_degc, 12.0);
}

TEST(Sky, RefusesWhatNoSkyCanBe) {
  PlaceSky sky = ridge();
  sky.linke_turbidity = 0.5;
  sky.plane.tilt_deg = 120.0;
  sky.clouds = {{100.0, 0.05, 60.0, 2.0, 0.3, 0.1, 8.0}, {150.0}};
  sky.broken_clouds = BrokenClouds{};
  sky.broken_clouds->brightest_frac = 0.1;
  sky.fog = Fog{-1.0, 0.0, 600.0};
  Problems problems;
  sky.check(problems);
  std::vector<std::string> fields;
  for (const Problem& p : problems.list()) fields.push_back(p.field);
  EXPECT_EQ(fields,
            (std::vector<std::string>{"plane.tilt_deg", "linke_turbidity", "cloud[0].near_edge_s", "cloud[1].begins_s",
                                      "broken_clouds.brightest_frac", "broken_clouds", "fog.optical_depth"}));
  Problems of_series;
  SeriesSky{{{Nanos{0}, 10.0}, {Nanos{0}, 3000.0}}}.check(of_series);
  EXPECT_EQ(of_series.list().size(), 2U);
  Problems of_ramps;
  RampSky{{{500.0, 100.0}}}.check(of_ramps);
  EXPECT_EQ(of_ramps.list().size(), 1U);
}

}  // namespace
}  // namespace dawnrig::plant
