#include "plant/panel/source.h"

namespace dawnrig::plant {

PanelPoint PanelSource::faulty_at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
  if (scratch.fault == PanelFaultKind::kReversed) {
    PanelPoint point = sound_at(-v, poa_wpm2, cell_degc, scratch);
    point.current_a = -point.current_a;
    point.d_degc = -point.d_degc;
    point.d_poa = -point.d_poa;
    return point;
  }
  PanelPoint point = sound_at(v, poa_wpm2, cell_degc, scratch);
  if (scratch.fault == PanelFaultKind::kShorted) {
    point.current_a -= v / kShortOhm;
    point.d_voltage -= 1.0 / kShortOhm;
  }
  return point;
}

double PanelSource::open_circuit_v(double poa_wpm2, double cell_degc, const PanelScratch& how) const {
  if (how.fault == PanelFaultKind::kShorted) {
    PanelScratch scratch;
    scratch.shade = how.shade;
    return kShortOhm * sound_at(0.0, poa_wpm2, cell_degc, scratch).current_a;
  }
  const double v =
      array_ ? array_->open_circuit_v(poa_wpm2, cell_degc, how.shade) : single_.open_circuit_v(poa_wpm2, cell_degc);
  return how.fault == PanelFaultKind::kReversed ? -v : v;
}

}  // namespace dawnrig::plant
