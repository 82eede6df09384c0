#include "plant/sky/clear_sky.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"
#include "plant/sky/angle.h"

namespace dawnrig::plant {
namespace {

constexpr double kSolarConstantWpm2 = 1361.1;
constexpr double kSeaLevelPa = 101325.0;
constexpr double kForwardScattering = 0.85;

}  // namespace

void Plane::check(Problems& problems) const {
  check_range(problems, "tilt_deg", tilt_deg, {0.0, 90.0});
  check_range(problems, "azimuth_deg", azimuth_deg, {0.0, 360.0});
  check_range(problems, "albedo_frac", albedo_frac, {0.0, 1.0});
}

double relative_air_mass(double zenith_deg) {
  return 1.0 / (cos_of_deg(zenith_deg) + 0.50572 * std::pow(96.07995 - zenith_deg, -1.6364));
}

Irradiance clear_sky(const SunPosition& sun, const Place& place, double linke_turbidity) {
  Irradiance light;
  light.outside_wpm2 = kSolarConstantWpm2 / (sun.distance_au * sun.distance_au);
  const double cos_z = cos_of_deg(sun.zenith_deg);
  if (!(sun.zenith_deg < 90.0) || !(cos_z > 0.0)) return light;
  const double h = place.altitude_m;
  const double air_mass = relative_air_mass(sun.zenith_deg) * place.pressure_pa() / kSeaLevelPa;
  const double fh1 = std::exp(-h / 8000.0);
  const double fh2 = std::exp(-h / 1250.0);
  const double cg1 = 5.09e-5 * h + 0.868;
  const double cg2 = 3.92e-5 * h + 0.0387;
  const double b = 0.664 + 0.163 / fh1;
  light.global_wpm2 =
      cg1 * light.outside_wpm2 * cos_z * std::exp(-cg2 * air_mass * (fh1 + fh2 * (linke_turbidity - 1.0)));
  const double beam_wpm2 = b * light.outside_wpm2 * std::exp(-0.09 * air_mass * (linke_turbidity - 1.0));
  const double most_wpm2 =
      light.global_wpm2 * std::max(0.0, 1.0 - (0.1 - 0.2 * std::exp(-linke_turbidity)) / (0.1 + 0.882 / fh1)) / cos_z;
  light.beam_wpm2 = std::min(beam_wpm2, most_wpm2);
  light.diffuse_wpm2 = light.global_wpm2 - light.beam_wpm2 * cos_z;
  return light;
}

double incidence_cosine(const SunPosition& sun, const Plane& plane) {
  return cos_of_deg(sun.zenith_deg) * cos_of_deg(plane.tilt_deg) +
         sin_of_deg(sun.zenith_deg) * sin_of_deg(plane.tilt_deg) * cos_of_deg(sun.azimuth_deg - plane.azimuth_deg);
}

double plane_of_array_wpm2(const Irradiance& light, const SunPosition& sun, const Plane& plane) {
  constexpr double kCosOf89Deg = 0.017452406437283512;
  if (!(light.global_wpm2 > 0.0)) return 0.0;
  const double cos_theta = std::max(0.0, incidence_cosine(sun, plane));
  const double cos_z = cos_of_deg(sun.zenith_deg);
  const double around_sun_frac = light.beam_wpm2 / light.outside_wpm2;
  const double beam_ratio = cos_theta / std::max(cos_z, kCosOf89Deg);
  const double cos_tilt = cos_of_deg(plane.tilt_deg);
  return light.beam_wpm2 * cos_theta +
         light.diffuse_wpm2 * (around_sun_frac * beam_ratio + (1.0 - around_sun_frac) * 0.5 * (1.0 + cos_tilt)) +
         light.global_wpm2 * plane.albedo_frac * 0.5 * (1.0 - cos_tilt);
}

Irradiance under_fog(const Irradiance& clear, const SunPosition& sun, double optical_depth) {
  Irradiance light = clear;
  const double cos_z = cos_of_deg(sun.zenith_deg);
  if (!(clear.global_wpm2 > 0.0) || !(cos_z > 0.0)) return light;
  light.global_wpm2 = clear.global_wpm2 * 2.0 / (2.0 + (1.0 - kForwardScattering) * optical_depth);
  light.beam_wpm2 = std::min(clear.beam_wpm2 * std::exp(-optical_depth / cos_z), light.global_wpm2 / cos_z);
  light.diffuse_wpm2 = light.global_wpm2 - light.beam_wpm2 * cos_z;
  return light;
}

}  // namespace dawnrig::plant
