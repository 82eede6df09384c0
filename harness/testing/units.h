// Numbers as people write them in tests: an irradiance cannot be passed where a temperature is wanted.
// Room: harness/testing. Uses plant/core/time.h only.
#pragma once

#include <chrono>
#include <compare>

#include "plant/core/time.h"

namespace dawnrig::testing {

/// One physical number with its unit in the type. Only what tests need: comparison, sum, difference.
template <class Tag>
class Measure {
 public:
  constexpr explicit Measure(double in_si) : value_{in_si} {}
  [[nodiscard]] constexpr double in_si() const { return value_; }
  friend constexpr auto operator<=>(const Measure&, const Measure&) = default;
  friend constexpr Measure operator+(Measure a, Measure b) { return Measure{a.value_ + b.value_}; }
  friend constexpr Measure operator-(Measure a, Measure b) { return Measure{a.value_ - b.value_}; }

 private:
  double value_;
};

using Volts = Measure<struct VoltsTag>;
using Amperes = Measure<struct AmperesTag>;
using Irradiance = Measure<struct IrradianceTag>;    ///< W/m2 in the plane of the panel
using Temperature = Measure<struct TemperatureTag>;  ///< degrees Celsius

namespace literals {
using namespace std::chrono_literals;  // NOLINT(google-build-using-namespace): 5s, 10min read as in the trade
constexpr Volts operator""_V(long double v) {
  return Volts{static_cast<double>(v)};
}
constexpr Volts operator""_V(unsigned long long v) {
  return Volts{static_cast<double>(v)};
}
constexpr Amperes operator""_A(long double a) {
  return Amperes{static_cast<double>(a)};
}
constexpr Amperes operator""_A(unsigned long long a) {
  return Amperes{static_cast<double>(a)};
}
constexpr Irradiance operator""_Wpm2(unsigned long long g) {
  return Irradiance{static_cast<double>(g)};
}
constexpr Temperature operator""_degC(long double t) {
  return Temperature{static_cast<double>(t)};
}
constexpr Temperature operator""_degC(unsigned long long t) {
  return Temperature{static_cast<double>(t)};
}
}  // namespace literals

}  // namespace dawnrig::testing
