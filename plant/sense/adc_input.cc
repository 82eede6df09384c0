#include "plant/sense/adc_input.h"

#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {

void AdcInputParams::check(Problems& problems) const {
  if (sampling_capacitance_f == 0.0) return;
  check_range(problems, "sampling_capacitance_f", sampling_capacitance_f, {1e-13, 1e-9});
  check_range(problems, "switch_ohm", switch_ohm, {1.0, 1e6});
  check_range(problems, "acquisition_s", acquisition_s, {1e-8, 1e-2});
}

Sampled sample_pin(const AdcInputParams& params, const PinSource& source, double last_held_v) {
  if (params.sampling_capacitance_f == 0.0) return {source.pin_v, 0.0};
  const double start_v = last_held_v - source.pin_v;
  const double switch_s = 1.0 / params.switch_ohm;
  const double pin_rate = -(source.conductance_s + switch_s) / source.capacitance_f;
  const double coupling = switch_s / source.capacitance_f;
  const double sample_rate = -switch_s / params.sampling_capacitance_f;
  const double half = 0.5 * (pin_rate - sample_rate);
  const double apart = std::sqrt(half * half - coupling * sample_rate);
  const double fast = 0.5 * (pin_rate + sample_rate) - apart;
  const double slow =
      -sample_rate * source.conductance_s / source.capacitance_f / fast;  // their product over the other
  const double fast_left = std::exp(fast * params.acquisition_s);
  const double slow_left = std::exp(slow * params.acquisition_s);
  const double scale = start_v / (slow - fast);
  return {source.pin_v + scale * ((sample_rate - fast) * slow_left - (sample_rate - slow) * fast_left),
          scale * coupling * (slow_left - fast_left)};
}

}  // namespace dawnrig::plant
