// Plant, sense: what the converter's own input does to a pin at the moment of a conversion. May use plant/core only.
#pragma once

#include "plant/core/problems.h"

namespace dawnrig::plant {

/// The sampling capacitor behind its switch; it holds what it sampled last, from whatever channel that was.
struct AdcInputParams {
  double sampling_capacitance_f{0.0};  ///< 0: an ideal input that takes nothing
  double switch_ohm{10e3};
  double acquisition_s{12e-6};  ///< how long the switch is closed: 1.5 converter clocks
  void check(Problems& problems) const;
  bool operator==(const AdcInputParams&) const = default;
};

/// The pin's network as the sampling capacitor sees it.
struct PinSource {
  double pin_v{};  ///< at the end of the acquisition, had nothing been sampled
  double capacitance_f{};
  double conductance_s{};  ///< to wherever the pin rests
};
struct Sampled {
  double held_v{};      ///< what is converted
  double pin_step_v{};  ///< what the pin has been pulled away by
};

/// Of each volt by which the sampling capacitor was away from the pin: by how much what is converted is, and how far
/// the pin is pulled.
struct PinShare {
  double held_frac{}, step_frac{};
};
/// Of a pin with that capacitance and conductance; not of an ideal input.
[[nodiscard]] PinShare share_of(const AdcInputParams& params, double capacitance_f, double conductance_s);

/// Both capacitors over the acquisition, in closed form: with d the pin's deviation and u the sampling capacitor's,
///
///     C d' = -g d - (d - u)/R_sw,   C_s u' = (d - u)/R_sw,   d = 0 and u = held - pin at the start
///
/// so a large C at the pin gives away C_s/(C + C_s) of the difference at once and takes it back through g, and a pin
/// without one is settled as far as exp(-t/((1/g + R_sw) C_s)). The pin's own way within the microseconds is taken as
/// flat: what a ramp would lag behind is its slope times R_sw C_s, a tenth of a microsecond. Figures of 8-bit
/// converters: 14 pF behind 1 to 100 kilohm (vendor data sheets). Checked in tests/plant/adc_input_test.cc.
[[nodiscard]] Sampled sample_pin(const AdcInputParams& params, const PinSource& source, double last_held_v);
[[nodiscard]] inline Sampled sample_pin(double pin_v, const PinShare& share, double last_held_v) {
  const double away_v = last_held_v - pin_v;
  return {pin_v + share.held_frac * away_v, share.step_frac * away_v};
}

}  // namespace dawnrig::plant
