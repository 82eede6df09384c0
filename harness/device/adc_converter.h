// The 10-bit converter as arithmetic: volts at the pin to code, with the errors of its datasheet.
// Room: harness/device. Uses nothing else; knows nothing of the simulator.
#pragma once

#include <cstdint>

namespace dawnrig::device {

struct AdcErrors {
  double offset_lsb{0};
  double gain_error_frac{0};
  double inl_lsb{0};    ///< peak of a half-sine bow over the range
  double noise_lsb{0};  ///< standard deviation, white
};

/// code = clamp(floor(1024 * pin_v / reference_v * (1 + gain) + offset + bow + noise), 0, 1023).
/// `noise` is a draw of unit variance; the caller owns the generator. A reference at or below zero reads as full scale
/// for any pin above zero, as silicon does. A pin that is not a number reads 0. The floor is exact at the thresholds:
/// the double nearest to k/1024 of the reference reads k, the next one below it k - 1.
[[nodiscard]] int adc_code(double pin_v, double reference_v, const AdcErrors& errors, double unit_noise);

}  // namespace dawnrig::device
