// Plant, sky: the light of a cloudless sky, against its published formula worked step by step.
#include "plant/sky/clear_sky.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

namespace dawnrig::plant {
namespace {

constexpr double kRad = 3.14159265358979323846 / 180.0;

SunPosition sun_at(double zenith_deg, double azimuth_deg = 180.0) {
  SunPosition sun;
  sun.zenith_deg = zenith_deg;
  sun.elevation_deg = 90.0 - zenith_deg;
  sun.azimuth_deg = azimuth_deg;
  sun.distance_au = 1.0;
  return sun;
}

// Worked with a pocket calculator, zenith 30 degrees, sea level, TL 3:
//   AM  = 1/(0.866025 + 0.50572 * 66.07995^-1.6364) = 1/(0.866025 + 0.000532) = 1.15399
//   G   = 0.868 * 1361.1 * 0.866025 * exp(-0.0387 * 1.15399 * 3) = 1023.159 * 0.874656 = 894.91
//   b   = 0.827; B1 = 0.827 * 1361.1 * exp(-0.09 * 1.15399 * 2) = 1125.630 * 0.812446 = 914.51
//   B2  = 894.91 * (1 - (0.1 - 0.2 * 0.0497871)/0.982)/0.866025 = 894.91 * 0.908306/0.866025 = 938.60
//   B   = 914.51, D = 894.91 - 914.51 * 0.866025 = 102.92
TEST(ClearSky, IsItsFormulaWorkedByHandAtSeaLevel) {
  const Irradiance light = clear_sky(sun_at(30.0), Place{}, 3.0);
  std::printf("global %.3f, beam %.3f, diffuse %.3f W/m2\n", light.global_wpm2, light.beam_wpm2, light.diffuse_wpm2);
  EXPECT_NEAR(light.global_wpm2, 894.91, 1.0);
  EXPECT_NEAR(light.beam_wpm2, 914.51, 1.0);
  EXPECT_NEAR(light.diffuse_wpm2, 102.92, 1.0);
}

// The same at 1500 m, zenith 60 degrees, TL 2:
//   p/p0 = (1 - 0.0338366)^5.25588 = 0.834503; AM = 1/(0.5 + 0.50572 * 36.07995^-1.6364) * p/p0 = 1.994267 * 0.834503
//   = 1.664222 fh1 = exp(-0.1875) = 0.829029, fh2 = exp(-1.2) = 0.301194, cg1 = 0.94435, cg2 = 0.0975 G   = 0.94435 *
//   1361.1 * 0.5 * exp(-0.0975 * 1.664222 * 1.130223) = 642.677 * 0.832453 = 535.00 b   = 0.860616; B1 = 0.860616 *
//   1361.1 * exp(-0.09 * 1.664222) = 1171.384 * 0.860904 = 1008.45 B2  = 535.00 * (1 - (0.1 - 0.2 * 0.135335)/(0.1
//   + 1.063895))/0.5 = 535.00 * 0.937338/0.5 = 1002.95 B   = 1002.95, D = 535.00 - 501.48 = 33.52
TEST(ClearSky, IsItsFormulaWorkedByHandOnARidge) {
  const Irradiance light = clear_sky(sun_at(60.0), Place{47.0, 10.0, 1500.0}, 2.0);
  std::printf("global %.3f, beam %.3f, diffuse %.3f W/m2\n", light.global_wpm2, light.beam_wpm2, light.diffuse_wpm2);
  EXPECT_NEAR(light.global_wpm2, 535.00, 1.0);
  EXPECT_NEAR(light.beam_wpm2, 1002.95, 1.0);
  EXPECT_NEAR(light.diffuse_wpm2, 33.52, 1.0);
}

// Tilt 45 degrees due south under the first sun above, albedo 0.2:
//   cos(theta) = cos(15 deg) = 0.965926; A = 914.51/1361.1 = 0.671891; Rb = 0.965926/0.866025 = 1.115355
//   beam    = 914.51 * 0.965926 = 883.35
//   sky     = 102.92 * (0.671891 * 1.115355 + 0.328109 * 0.853553) = 102.92 * 1.029458 = 105.95
//   ground  = 894.91 * 0.2 * 0.146447 = 26.21
TEST(ClearSky, FallsOnATiltedPlaneAsWorkedByHand) {
  const SunPosition sun = sun_at(30.0);
  const Irradiance light = clear_sky(sun, Place{}, 3.0);
  const double poa = plane_of_array_wpm2(light, sun, Plane{45.0, 180.0, 0.2});
  std::printf("plane of array %.3f W/m2\n", poa);
  EXPECT_NEAR(poa, 883.35 + 105.95 + 26.21, 1.0);
}

TEST(ClearSky, OnLevelGroundIsTheGlobalLight) {
  for (const double zenith : {0.0, 40.0, 75.0, 88.0}) {
    const SunPosition sun = sun_at(zenith, 77.0);
    const Irradiance light = clear_sky(sun, Place{}, 3.0);
    EXPECT_NEAR(plane_of_array_wpm2(light, sun, Plane{0.0, 180.0, 0.9}), light.global_wpm2, 1e-9) << zenith;
  }
}

TEST(ClearSky, LeavesAPlaneWithItsBackToTheSunDiffuseLightOnly) {
  const SunPosition sun = sun_at(60.0, 90.0);
  const Irradiance light = clear_sky(sun, Place{}, 3.0);
  const double poa = plane_of_array_wpm2(light, sun, Plane{90.0, 270.0, 0.0});
  const double around_sun = light.beam_wpm2 / light.outside_wpm2;
  EXPECT_NEAR(poa, light.diffuse_wpm2 * (1.0 - around_sun) * 0.5, 1e-9);
  // The ground's light comes on top, half of the global for an upright plane over a mirror.
  EXPECT_NEAR(plane_of_array_wpm2(light, sun, Plane{90.0, 270.0, 1.0}) - poa, 0.5 * light.global_wpm2, 1e-9);
}

TEST(ClearSky, IsDarkWithTheSunBelowTheHorizonAndNeverNegative) {
  for (int tenth = 800; tenth < 1000; ++tenth) {
    const double zenith = 0.1 * tenth;
    const Irradiance light = clear_sky(sun_at(zenith), Place{}, 3.0);
    EXPECT_GE(light.diffuse_wpm2, -1e-9) << zenith;
    EXPECT_GE(light.beam_wpm2, 0.0) << zenith;
    if (zenith >= 90.0) {
      EXPECT_EQ(light.global_wpm2, 0.0) << zenith;
    }
  }
}

TEST(ClearSky, DimsWithTurbidityAndTradesBeamForDiffuse) {
  double last_beam = 1e9;
  double last_diffuse = 0.0;
  for (const double tl : {2.0, 3.0, 4.0, 5.0, 6.0}) {
    const Irradiance light = clear_sky(sun_at(40.0), Place{}, tl);
    EXPECT_LT(light.beam_wpm2, last_beam);
    EXPECT_GT(light.diffuse_wpm2, last_diffuse);
    last_beam = light.beam_wpm2;
    last_diffuse = light.diffuse_wpm2;
  }
}

TEST(ClearSky, CrossesTheAirMassOfKastenAndYoungsTable) {
  // Their table: 1.0 at zenith, 2.0 near 60 degrees, 5.58 at 80, 38 at the horizon.
  EXPECT_NEAR(relative_air_mass(0.0), 1.0, 1e-3);
  EXPECT_NEAR(relative_air_mass(60.0), 1.994, 1e-3);
  EXPECT_NEAR(relative_air_mass(80.0), 5.58, 0.01);
  EXPECT_NEAR(relative_air_mass(90.0), 37.92, 0.05);
}

// Depth 10 under the first sun above: global by 2/(2 + 0.15 * 10) = 0.571429, the beam gone.
TEST(Fog, LetsThroughWhatTheTwoStreamSolutionSays) {
  const SunPosition sun = sun_at(30.0);
  const Irradiance clear = clear_sky(sun, Place{}, 3.0);
  const Irradiance fog = under_fog(clear, sun, 10.0);
  EXPECT_NEAR(fog.global_wpm2, 0.571429 * clear.global_wpm2, 1e-3);
  EXPECT_NEAR(fog.beam_wpm2, clear.beam_wpm2 * std::exp(-10.0 / std::cos(30.0 * kRad)), 1e-9);
  EXPECT_NEAR(fog.diffuse_wpm2 + fog.beam_wpm2 * std::cos(30.0 * kRad), fog.global_wpm2, 1e-9);
  const Irradiance none = under_fog(clear, sun, 0.0);
  EXPECT_NEAR(none.beam_wpm2, clear.beam_wpm2, 1e-9);
  EXPECT_NEAR(none.diffuse_wpm2, clear.diffuse_wpm2, 1e-9);
}

}  // namespace
}  // namespace dawnrig::plant
