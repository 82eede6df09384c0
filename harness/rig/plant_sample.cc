#include "harness/rig/plant_sample.h"

namespace dawnrig::rig {

using trace::Signal;

void fill_sample(trace::Sample& sample, Nanos now, const plant::Conditions& conditions, const plant::Probes& probes,
                 bool charges_while_on) {
  sample.time = now;
  sample[Signal::kTerminalV] = probes.terminal_v;
  sample[Signal::kBusV] = probes.bus_v;
  sample[Signal::kBatteryA] = probes.battery_a;
  sample[Signal::kPanelV] = probes.panel_v;
  sample[Signal::kPanelA] = probes.panel_a;
  sample[Signal::kLoadV] = probes.load_v;
  sample[Signal::kLoadA] = probes.load_a;
  sample[Signal::kGate] = conditions.gate_on == charges_while_on ? 1.0 : 0.0;
  sample[Signal::kLoadSwitch] = conditions.load_switch_on ? 1.0 : 0.0;
  sample[Signal::kPoaWpm2] = probes.poa_wpm2;
  sample[Signal::kBatteryDegc] = probes.battery_degc;
  sample[Signal::kCellDegc] = probes.cell_degc;
  sample[Signal::kHeatSinkDegc] = probes.stage_degc;
  sample[Signal::kSocFrac] = probes.soc_frac;
  sample[Signal::kGassingA] = probes.gassing_a;
  for (std::size_t i = 0; i < 4; ++i) {
    sample.value[static_cast<std::size_t>(Signal::kSense0V) + i] = probes.sense_v[i];
  }
}

}  // namespace dawnrig::rig
