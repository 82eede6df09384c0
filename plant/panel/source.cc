#include "plant/panel/source.h"

#include <cmath>

namespace dawnrig::plant {

PanelPoint PanelSource::faulty_at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
  if (scratch.fault == PanelFaultKind::kReversed) {
    PanelPoint point = sound_at(-v, poa_wpm2, cell_degc, scratch);
    point.current_a = -point.current_a;
    point.d_degc = -point.d_degc;
    point.d_poa = -point.d_poa;
    return point;
  }
  if (scratch.fault == PanelFaultKind::kShorted) return shorted_at(v, poa_wpm2, cell_degc, scratch);
  return sound_at(v, poa_wpm2, cell_degc, scratch);
}

// Short and cable conduct far better than the panel where the root lies, between nothing and a small part of v:
// Newton's method needs a few steps from what the two alone would make.
PanelPoint PanelSource::shorted_at(double v, double poa_wpm2, double cell_degc, const PanelScratch& scratch) const {
  constexpr int kMostIterations = 50;
  PanelScratch own;  // what the other keeps of the weather is with the cable
  own.shade = scratch.shade;
  const auto at_terminals = [&](double u) {
    PanelPoint q = bare_array_ ? bare_array_->at(u, poa_wpm2, cell_degc, own) : bare_.at(u, poa_wpm2, cell_degc, own);
    q.current_a -= u / kShortOhm;
    q.d_voltage -= 1.0 / kShortOhm;
    return q;
  };
  double u = v * kShortOhm / (kShortOhm + cable_ohm_);
  PanelPoint q = at_terminals(u);
  for (int i = 0; i < kMostIterations; ++i) {
    const double step = (v + cable_ohm_ * q.current_a - u) / (1.0 - cable_ohm_ * q.d_voltage);
    u += step;
    q = at_terminals(u);
    if (!(std::abs(step) > 1e-12 * (1.0 + std::abs(u)))) break;
  }
  const double behind = 1.0 / (1.0 - cable_ohm_ * q.d_voltage);
  q.d_voltage *= behind;
  q.d_degc *= behind;
  q.d_poa *= behind;
  return q;
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
