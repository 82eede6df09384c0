#include "plant/sky/sun_position.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"
#include "plant/sky/angle.h"

namespace dawnrig::plant {
namespace {

constexpr double kSecondsPerDay = 86400.0;
constexpr double kJulianDayOf1970 = 2440587.5;
constexpr double kJulianDayOf2000 = 2451545.0;
constexpr double kDaysPerCentury = 36525.0;
constexpr double kEphemerisAheadS = 69.0;
constexpr double kParallaxDeg = 8.794 / 3600.0;
// The upper rim of the disc, by refraction at the horizon: below it no light reaches the ground straight.
constexpr double kLastRefractedDeg = -(0.26667 + 0.5667);

// Days from noon of 1 January 2000. Whole days apart from the rest, so that no digits are lost.
double days_since_2000(UtcTime at, double ahead_s) {
  const auto day = std::chrono::floor<std::chrono::days>(at);
  const double of_day_s = in_seconds(at - day) + ahead_s;
  return static_cast<double>(day.time_since_epoch().count()) + (kJulianDayOf1970 - kJulianDayOf2000) +
         of_day_s / kSecondsPerDay;
}

double refraction_deg(double elevation_deg, const Air& air) {
  if (elevation_deg < kLastRefractedDeg) return 0.0;
  const double minutes =
      1.02 / std::tan((elevation_deg + 10.3 / (elevation_deg + 5.11)) * kRadPerDeg) * (air.pressure_pa / 101000.0);
  return minutes * 283.0 / (273.0 + air.degc) / 60.0;
}

struct Apparent {
  double right_ascension_deg{}, declination_deg{}, distance_au{}, nutation_in_right_ascension_deg{};
};

Apparent apparent_sun(double centuries) {
  const double t = centuries;
  const double mean_longitude_deg = 280.46646 + t * (36000.76983 + t * 0.0003032);
  const double anomaly_deg = turned_deg(357.52911 + t * (35999.05029 - t * 0.0001537));
  const double eccentricity = 0.016708634 - t * (0.000042037 + t * 0.0000001267);
  const double centre_deg = (1.914602 - t * (0.004817 + t * 0.000014)) * sin_of_deg(anomaly_deg) +
                            (0.019993 - t * 0.000101) * sin_of_deg(2.0 * anomaly_deg) +
                            0.000289 * sin_of_deg(3.0 * anomaly_deg);
  const double node_deg = turned_deg(125.04 - 1934.136 * t);
  const double nutation_deg = -0.00478 * sin_of_deg(node_deg);
  const double longitude_deg = turned_deg(mean_longitude_deg + centre_deg - 0.00569 + nutation_deg);
  const double obliquity_deg =
      23.439291111 - t * (0.0130041667 + t * (1.6389e-7 - t * 5.0361e-7)) + 0.00256 * cos_of_deg(node_deg);
  Apparent sun;
  sun.right_ascension_deg =
      std::atan2(cos_of_deg(obliquity_deg) * sin_of_deg(longitude_deg), cos_of_deg(longitude_deg)) / kRadPerDeg;
  sun.declination_deg = std::asin(sin_of_deg(obliquity_deg) * sin_of_deg(longitude_deg)) / kRadPerDeg;
  sun.distance_au =
      1.000001018 * (1.0 - eccentricity * eccentricity) / (1.0 + eccentricity * cos_of_deg(anomaly_deg + centre_deg));
  sun.nutation_in_right_ascension_deg = nutation_deg * cos_of_deg(obliquity_deg);
  return sun;
}

}  // namespace

void Place::check(Problems& problems) const {
  check_range(problems, "latitude_deg", latitude_deg, {-90.0, 90.0});
  check_range(problems, "longitude_deg", longitude_deg, {-180.0, 180.0});
  check_range(problems, "altitude_m", altitude_m, {-500.0, 9000.0});
}

double Place::pressure_pa() const {
  return 101325.0 * std::pow(1.0 - 2.25577e-5 * altitude_m, 5.25588);
}

SunPosition sun_position(UtcTime at, const Place& place, const Air& air) {
  const double days = days_since_2000(at, 0.0);
  const double centuries = days / kDaysPerCentury;
  const Apparent sun = apparent_sun(days_since_2000(at, kEphemerisAheadS) / kDaysPerCentury);
  const double sidereal_deg = turned_deg(280.46061837 + 360.98564736629 * days +
                                         centuries * centuries * (0.000387933 - centuries / 38710000.0)) +
                              sun.nutation_in_right_ascension_deg;
  const double hour_deg = sidereal_deg + place.longitude_deg - sun.right_ascension_deg;

  const double sin_phi = sin_of_deg(place.latitude_deg);
  const double cos_phi = cos_of_deg(place.latitude_deg);
  const double sin_delta = sin_of_deg(sun.declination_deg);
  const double cos_delta = cos_of_deg(sun.declination_deg);
  // Components towards south, west and zenith.
  const double south = sin_phi * cos_delta * cos_of_deg(hour_deg) - cos_phi * sin_delta;
  const double west = cos_delta * sin_of_deg(hour_deg);
  const double up = sin_phi * sin_delta + cos_phi * cos_delta * cos_of_deg(hour_deg);

  SunPosition position;
  position.elevation_deg = std::asin(std::clamp(up, -1.0, 1.0)) / kRadPerDeg;
  position.elevation_deg -= kParallaxDeg / sun.distance_au * cos_of_deg(position.elevation_deg);
  position.zenith_deg = 90.0 - position.elevation_deg - refraction_deg(position.elevation_deg, air);
  position.azimuth_deg = turned_deg(std::atan2(west, south) / kRadPerDeg + 180.0);
  position.distance_au = sun.distance_au;
  position.declination_deg = sun.declination_deg;
  return position;
}

}  // namespace dawnrig::plant
