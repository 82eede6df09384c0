// Plant, sky: degrees and radians. Touches nothing.
#pragma once

#include <cmath>

namespace dawnrig::plant {

inline constexpr double kRadPerDeg = 3.14159265358979323846 / 180.0;

[[nodiscard]] inline double sin_of_deg(double angle_deg) {
  return std::sin(angle_deg * kRadPerDeg);
}
[[nodiscard]] inline double cos_of_deg(double angle_deg) {
  return std::cos(angle_deg * kRadPerDeg);
}
/// Into 0..360.
[[nodiscard]] inline double turned_deg(double angle_deg) {
  const double rest_deg = std::fmod(angle_deg, 360.0);
  return rest_deg < 0.0 ? rest_deg + 360.0 : rest_deg;
}

}  // namespace dawnrig::plant
