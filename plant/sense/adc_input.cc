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

PinShare share_of(const AdcInputParams& params, double capacitance_f, double conductance_s) {
  const double switch_s = 1.0 / params.switch_ohm;
  const double pin_rate = -(conductance_s + switch_s) / capacitance_f;
  const double coupling = switch_s / capacitance_f;
  const double sample_rate = -switch_s / params.sampling_capacitance_f;
  const double half = 0.5 * (pin_rate - sample_rate);
  const double apart = std::sqrt(half * half - coupling * sample_rate);
  const double fast = 0.5 * (pin_rate + sample_rate) - apart;
  const double slow = -sample_rate * conductance_s / capacitance_f / fast;  // their product over the other
  const double fast_left = std::exp(fast * params.acquisition_s);
  const double slow_left = std::exp(slow * params.acquisition_s);
  const double scale = 1.0 / (slow - fast);
  return {scale * ((sample_rate - fast) * slow_left - (sample_rate - slow) * fast_left),
          scale * coupling * (slow_left - fast_left)};
}

Sampled sample_pin(const AdcInputParams& params, const PinSource& source, double last_held_v) {
  if (params.sampling_capacitance_f == 0.0) return {source.pin_v, 0.0};
  return sample_pin(source.pin_v, share_of(params, source.capacitance_f, source.conductance_s), last_held_v);
}

}  // namespace dawnrig::plant
