// Tests of the plant: the ridge repeater, as fixtures/profiles/ridge_repeater_a.textproto and _site.textproto have it.
#pragma once

#include "plant/circuit.h"

namespace dawnrig::plant {

inline CircuitParams ridge_repeater(double input_f = 2.2e-6) {
  CircuitParams p;
  p.panel = {8.0, 3.26e-9, 2.035, 0.4, 400.0, 0.004, 46.0};
  p.panel_cable_ohm = 0.10;
  p.battery_cable_ohm = 0.010;
  p.stage.input_capacitance_f = input_f;
  p.stage.quiescent_a = 0.010;
  LeadAcidParams b;
  b.tau_fast_s = 3.6;
  b.r_acceptance_ohm = 1.2;
  b.heat_capacity_j_per_k = 108e3;
  p.battery = b;
  p.load_switch_ohm = 0.008;
  p.loads.push_back({ConstantPowerParams{24.0, 18.0}, false});
  p.loads.push_back({ConstantCurrentParams{0.05, 1.0}, true});
  p.loads.push_back({LampParams{14.4, 1.2, 24.0, 0.03}, false});
  p.loads.push_back({ResistiveParams{4.5}, false});
  p.sense.push_back({SenseNode::kBus, DividerParams{100e3, 15e3, 47e-9}});
  p.sense.push_back({SenseNode::kPanelInput, DividerParams{120e3, 10e3, 1e-9}});
  p.sense.push_back({SenseNode::kBatteryTemperature, ThermistorInputParams{10e3, 10e3, 3950.0, 100e-9}});
  return p;
}

/// The same with as many channels and loads as a circuit can have: pins from quick to slow, and lamps.
inline CircuitParams crowded_ridge_repeater() {
  CircuitParams p = ridge_repeater();
  double capacitance_f = 1e-9;
  while (p.sense.size() < kMaxSense) {
    const SenseNode node = p.sense.size() % 2 == 0 ? SenseNode::kPanelInput : SenseNode::kBus;
    p.sense.push_back({node, DividerParams{110e3, 12e3, capacitance_f}});
    capacitance_f *= 5.0;
  }
  while (p.loads.size() < kMaxLoads) p.loads.push_back({LampParams{72.0, 6.0, 24.0, 0.03}, false});
  return p;
}

/// A bright forenoon with transceiver and monitor on.
inline Conditions ridge_forenoon() {
  Conditions c;
  c.sun.poa_wpm2 = 800.0;
  c.ambient_degc = 15.0;
  c.load_switch_on = true;
  c.loads[0].on = c.loads[1].on = true;
  return c;
}

inline InitialConditions ridge_rested() {
  InitialConditions i;
  i.soc_frac = 0.9;
  i.ambient_degc = 15.0;
  i.battery_degc = 15.0;
  i.poa_wpm2 = 800.0;
  return i;
}

}  // namespace dawnrig::plant
