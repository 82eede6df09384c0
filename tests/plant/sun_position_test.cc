// Plant, sky: where the sun stands, against worked examples that were printed.
#include "plant/sky/sun_position.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

constexpr double kMostErrorDeg = 0.05;

constexpr UtcTime utc(int year, unsigned month, unsigned day, int hour = 0, int minute = 0, int second = 0) {
  return std::chrono::sys_days{std::chrono::year{year} / static_cast<int>(month) / static_cast<int>(day)} +
         hours{hour} + minutes{minute} + seconds{second};
}

double elevation_deg(UtcTime at, const Place& place) {
  return sun_position(at, place, Air{}).elevation_deg;
}

// The instant between two others at which something rises through zero.
UtcTime when(UtcTime from, Nanos within, const std::function<double(UtcTime)>& rising) {
  const double s = bisect(0.0, in_seconds(within), [&](double t_s) { return rising(from + from_seconds(t_s)); });
  return from + from_seconds(s);
}

double minutes_between(UtcTime a, UtcTime b) {
  return std::abs(in_seconds(a - b)) / 60.0;
}

// Reda and Andreas, Solar Position Algorithm for Solar Radiation Applications, NREL/TP-560-34302, table A5.1:
// 17 October 2003, 12:30:30 at UTC-7, pressure 820 mbar, 11 degC.
TEST(SunPosition, IsThatOfTheWorkedExampleOfTheSolarPositionAlgorithm) {
  const Place golden{39.742476, -105.1786, 1830.14};
  const SunPosition sun = sun_position(utc(2003, 10, 17, 19, 30, 30), golden, Air{82000.0, 11.0});
  std::printf("zenith misses by %.4f deg, azimuth by %.4f deg\n", sun.zenith_deg - 50.11162,
              sun.azimuth_deg - 194.34024);
  EXPECT_NEAR(sun.zenith_deg, 50.11162, kMostErrorDeg);
  EXPECT_NEAR(sun.azimuth_deg, 194.34024, kMostErrorDeg);
  EXPECT_NEAR(sun.elevation_deg, 39.872046, kMostErrorDeg);
  // The refraction alone, which is small here.
  EXPECT_NEAR(90.0 - sun.zenith_deg - sun.elevation_deg, 39.888378 - 39.872046, 1e-4);
  EXPECT_NEAR(sun.distance_au, 0.9965422974, 2e-5);
}

// The day after, from the reference values of a public implementation of the same algorithm.
TEST(SunPosition, IsStillThatADayLater) {
  const Place golden{39.742476, -105.1786, 1830.14};
  const SunPosition sun = sun_position(utc(2003, 10, 18, 19, 30, 30), golden, Air{82000.0, 11.0});
  EXPECT_NEAR(sun.zenith_deg, 50.478260, kMostErrorDeg);
  EXPECT_NEAR(sun.azimuth_deg, 194.311132, kMostErrorDeg);
}

// Meeus, Astronomical Algorithms, example 25.b: 13 October 1992 at 0 h dynamical time, declination -7 deg 47' 01.74",
// distance 0.99760775. Dynamical time was 59 s ahead then, which moves neither figure by what is asked for here.
TEST(SunPosition, HasTheDeclinationAndDistanceOfTheHighAccuracyExample) {
  const SunPosition sun = sun_position(utc(1992, 10, 13) - seconds{59}, Place{}, Air{});
  EXPECT_NEAR(sun.declination_deg, -(7.0 + 47.0 / 60.0 + 1.74 / 3600.0), 0.01);
  EXPECT_NEAR(sun.distance_au, 0.99760775, 1e-4);
}

// Seasons of 2024 as almanacs print them: 20 March 03:06, 20 June 20:51, 22 September 12:44, 21 December 09:20 UTC. The
// declination moves 0.0165 degrees an hour at an equinox.
TEST(SunPosition, CrossesTheEquatorAndTurnsWhenTheAlmanacSays) {
  const auto declination_deg = [](UtcTime at) { return sun_position(at, Place{}, Air{}).declination_deg; };
  const UtcTime spring = when(utc(2024, 3, 19), hours{48}, declination_deg);
  EXPECT_LT(minutes_between(spring, utc(2024, 3, 20, 3, 6)), 60.0 * kMostErrorDeg / 0.0165);
  const UtcTime autumn = when(utc(2024, 9, 21, 12), hours{48}, [&](UtcTime at) { return -declination_deg(at); });
  EXPECT_LT(minutes_between(autumn, utc(2024, 9, 22, 12, 44)), 60.0 * kMostErrorDeg / 0.0165);
  std::printf("equinoxes miss by %.1f and %.1f min\n", minutes_between(spring, utc(2024, 3, 20, 3, 6)),
              minutes_between(autumn, utc(2024, 9, 22, 12, 44)));
  EXPECT_NEAR(declination_deg(utc(2024, 6, 20, 20, 51)), 23.4362, 0.01);
  EXPECT_NEAR(declination_deg(utc(2024, 12, 21, 9, 20)), -23.4362, 0.01);
}

TEST(SunPosition, StandsSouthAtNoonInTheNorthAndNorthAtNoonInTheSouth) {
  for (const double latitude_deg : {47.0, -33.0}) {
    const Place place{latitude_deg, 10.0, 0.0};
    const UtcTime noon = when(utc(2026, 4, 10, 9), hours{5}, [&](UtcTime at) {
      const double azimuth = sun_position(at, place, Air{}).azimuth_deg;
      return latitude_deg > 0.0 ? azimuth - 180.0 : std::remainder(-azimuth, 360.0);
    });
    const SunPosition sun = sun_position(noon, place, Air{});
    // On the meridian, elevation and declination and latitude add up.
    EXPECT_NEAR(sun.elevation_deg, 90.0 - std::abs(latitude_deg - sun.declination_deg), 0.003) << latitude_deg;
    // Mean noon at 10 degrees east is 11:20 UTC; the equation of time on 10 April is -1.3 min.
    EXPECT_LT(minutes_between(noon, utc(2026, 4, 10, 11, 21, 18)), 0.5) << latitude_deg;
  }
}

TEST(SunPosition, StaysUpAllDayBeyondTheCircleInJuneAndDownInDecember) {
  const Place north{70.0, 25.0, 0.0};
  for (int hour = 0; hour < 24; ++hour) {
    EXPECT_GT(elevation_deg(utc(2026, 6, 21, hour), north), 3.0) << hour;
    EXPECT_LT(elevation_deg(utc(2026, 12, 21, hour), north), -3.0) << hour;
  }
}

TEST(SunPosition, IsLiftedByTheAirMostAtTheHorizon) {
  const Place place{47.0, 10.0, 0.0};
  const UtcTime rise = when(utc(2026, 6, 21, 2), hours{5}, [&](UtcTime at) { return elevation_deg(at, place); });
  const SunPosition sun = sun_position(rise, place, Air{101000.0, 10.0});
  EXPECT_NEAR(90.0 - sun.zenith_deg, 29.0 / 60.0, 0.01);  // about 29 minutes of arc at true elevation zero
  // No air, no refraction.
  EXPECT_NEAR(sun_position(rise, place, Air{0.0, 10.0}).zenith_deg, 90.0, 1e-6);
}

TEST(SunPosition, RefusesAPlaceOffTheGlobe) {
  Problems problems;
  Place{91.0, -181.0, 1e5}.check(problems);
  EXPECT_EQ(problems.list().size(), 3U);
}

}  // namespace
}  // namespace dawnrig::plant
