// Plant, sky: the light of a cloudless sky, on level ground and on a tilted plane. May use plant/core only.
#pragma once

#include "plant/core/problems.h"
#include "plant/sky/sun_position.h"

namespace dawnrig::plant {

/// Light on level ground, and the beam square to itself.
struct Irradiance {
  double global_wpm2{};
  double beam_wpm2{};     ///< square to the beam
  double diffuse_wpm2{};  ///< on level ground
  double outside_wpm2{};  ///< square to the beam, above the atmosphere
};

/// How the panel lies.
struct Plane {
  double tilt_deg{0.0};       ///< 0: level, 90: upright
  double azimuth_deg{180.0};  ///< where it looks, from north through east
  double albedo_frac{0.2};    ///< light that the ground before it throws back
  void check(Problems& problems) const;
};

/// Mass of air that the beam crosses, against that above sea level at zenith, at standard pressure.
/// 1/(cos z + 0.50572 (96.07995 - z)^-1.6364): F. Kasten and A. T. Young, Applied Optics 28 (1989) 4735. Zenith
/// below 90.
[[nodiscard]] double relative_air_mass(double zenith_deg);

/// A cloudless sky by its Linke turbidity TL, the number of clean dry atmospheres that dim as much.
///
///     G = cg1 E0 cos z exp(-cg2 AM (fh1 + fh2 (TL - 1)))
///     B = min(b E0 exp(-0.09 AM (TL - 1)),  G (1 - (0.1 - 0.2 exp(-TL))/(0.1 + 0.882/fh1))/cos z)
///     cg1 = 5.09e-5 h + 0.868, cg2 = 3.92e-5 h + 0.0387, fh1 = exp(-h/8000 m), fh2 = exp(-h/1250 m)
///     b = 0.664 + 0.163/fh1,  diffuse = G - B cos z,  E0 = 1361.1 W/m2 over the distance squared
///
/// Valid for TL 1..10 and altitudes h up to 4 km, zenith up to 85 degrees; darkness beyond 90. Not modelled: the factor
/// exp(0.01 AM^1.8) of one version of the formula (it outgrows the rest at the horizon), twilight, spectrum.
/// Sources: P. Ineichen and R. Perez, Solar Energy 73 (2002) 151, in the form of Reno, Hansen and Stein,
/// SAND2012-2389 (both after a public implementation); solar constant: C. Gueymard, Solar Energy 168 (2018) 2.
/// Checked against figures worked by hand in tests/plant/clear_sky_test.cc.
[[nodiscard]] Irradiance clear_sky(const SunPosition& sun, const Place& place, double linke_turbidity);

/// What falls on the plane: beam, the sky's diffuse light split into a part from around the sun and a uniform rest, and
/// what the ground throws back.
///
///     POA = B cos(theta) + D (A Rb + (1 - A)(1 + cos tilt)/2) + G albedo (1 - cos tilt)/2
///     A = B/E0,  Rb = cos(theta)/max(cos z, cos 89 deg),  theta between beam and the plane's normal
///
/// Source: J. E. Hay and J. A. Davies (1980), as in Duffie and Beckman, Solar Engineering of Thermal Processes, 2.16.
/// Not modelled: the bright band at the horizon, reflection at the glass, the horizon of the place.
[[nodiscard]] double plane_of_array_wpm2(const Irradiance& light, const SunPosition& sun, const Plane& plane);

/// The cosine of the angle between beam and the plane's normal; below zero: the sun is behind it.
[[nodiscard]] double incidence_cosine(const SunPosition& sun, const Plane& plane);

/// A layer of fog or thin stratus of optical depth tau over a clear sky: droplets scatter forward and absorb nothing.
///
///     G' = G 2/(2 + (1 - g) tau),  g = 0.85;  B' = B exp(-tau/cos z);  diffuse = G' - B' cos z
///
/// Valid for tau 0..100 (radiation fog of 200 m: about 5 to 30). Source: the two-stream solution for conservative
/// scattering, after Bohren, American Journal of Physics 55 (1987) 524. Not modelled: light going to and fro between
/// fog and ground.
[[nodiscard]] Irradiance under_fog(const Irradiance& clear, const SunPosition& sun, double optical_depth);

}  // namespace dawnrig::plant
