// Plant, sky: where the sun stands. May use plant/core only.
#pragma once

#include <chrono>

#include "plant/core/problems.h"
#include "plant/core/time.h"

namespace dawnrig::plant {

/// An instant of civil time, coordinated universal, without leap seconds: an integer like every time of this project.
using UtcTime = std::chrono::sys_time<Nanos>;

/// Where on Earth: north and east are positive.
struct Place {
  double latitude_deg{0.0};
  double longitude_deg{0.0};
  double altitude_m{0.0};
  void check(Problems& problems) const;
  /// Of the standard atmosphere at that altitude.
  [[nodiscard]] double pressure_pa() const;
};

/// What bends the light: the air at the place.
struct Air {
  double pressure_pa{101325.0};
  double degc{12.0};
};

struct SunPosition {
  double
      zenith_deg{};  ///< as seen, refraction included; below the horizon that of the air at the horizon's rim or none
  double elevation_deg{};  ///< as it would be without air, 90 degrees less the true topocentric zenith
  double azimuth_deg{};    ///< from north through east
  double distance_au{};    ///< from the Earth
  double declination_deg{};
};

/// Where the sun stands, seen from a place.
///
///     lambda = L0 + C(M) - 0.00569 - 0.00478 sin Omega     apparent longitude, degrees
///     sin delta = sin eps sin lambda,  tan alpha = cos eps tan lambda
///     H = sidereal time + east longitude - alpha
///     cos z = sin phi sin delta + cos phi cos delta cos H,  less the parallax of 8.8"/distance
///     refraction 1.02'/tan(e + 10.3/(e + 5.11)), by pressure and temperature
///
/// Valid 1950 to 2100, within 0.01 degrees. Not modelled: the sun's latitude (below 1.2"), polar motion, refraction
/// below -0.83 degrees. Ephemeris time is taken 69 s ahead of universal time, which is 0.0008 degrees at most in a
/// century. Sources: J. Meeus, Astronomical Algorithms, chapters 12 and 25 (low accuracy); refraction after Reda and
/// Andreas, NREL/TP-560-34302. Checked against their worked examples in tests/plant/sun_position_test.cc.
[[nodiscard]] SunPosition sun_position(UtcTime at, const Place& place, const Air& air);

}  // namespace dawnrig::plant
