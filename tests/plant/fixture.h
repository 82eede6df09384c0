// Tests of the plant: the small circuits that they share.
#pragma once

#include <cmath>
#include <functional>

#include "plant/circuit.h"

namespace dawnrig::plant {

/// Root of a function that rises through zero between low and high, by plain bisection.
inline double bisect(double low, double high, const std::function<double(double)>& rising) {
  for (int i = 0; i < 200; ++i) {
    const double middle = 0.5 * (low + high);
    (rising(middle) < 0.0 ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

/// A 24 V hut: an always-on radio, a switched heater, a divider on either node and a thermistor.
inline CircuitParams hut() {
  CircuitParams p;
  p.loads.push_back({ResistiveParams{24.0}, false});
  p.loads.push_back({ConstantPowerParams{5.0, 10.0}, true});
  p.sense.push_back({SenseNode::kBus, DividerParams{}});
  p.sense.push_back({SenseNode::kPanelInput, DividerParams{}});
  p.sense.push_back({SenseNode::kBatteryTemperature, ThermistorInputParams{}});
  return p;
}

inline Conditions sunny(double poa_wpm2 = 800.0) {
  Conditions c;
  c.sun.poa_wpm2 = poa_wpm2;
  c.load_switch_on = true;
  c.loads[0].on = c.loads[1].on = true;
  return c;
}

inline InitialConditions rested(double poa_wpm2 = 800.0) {
  InitialConditions i;
  i.poa_wpm2 = poa_wpm2;
  return i;
}

inline constexpr Nanos kPwmPeriod{2'040'816};  // 490 Hz

/// One PWM cycle: gate on for `duty` of it, then off.
inline AdvanceStatus pwm_cycle(const Circuit& circuit, CircuitState& state, Conditions& conditions, double duty,
                               StepObserver* observer = nullptr, TransitionMemory* memory = nullptr) {
  const Nanos start = state.now;
  const Nanos on{static_cast<std::int64_t>(static_cast<double>(kPwmPeriod.count()) * duty)};
  conditions.gate_on = true;
  AdvanceStatus status = circuit.advance(state, conditions, start + on, observer, memory);
  if (status != AdvanceStatus::kOk) return status;
  conditions.gate_on = false;
  return circuit.advance(state, conditions, start + kPwmPeriod, observer, memory);
}

}  // namespace dawnrig::plant
