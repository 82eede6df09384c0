// Plant: where a circuit stands when an edge comes, for the sake of what is remembered of such places; and how far what
// is remembered may bend. May use plant only; for transition_memory.cc and remainder_memory.cc.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>

#include "plant/circuit_system.h"
#include "plant/transition.h"

namespace dawnrig::plant::place {

using Vector = CircuitSystem::Vector;

// Where a circuit stands, for this purpose: a vector of unknowns in which kFast is the battery's inner voltage, which
// is what matters of it, kBus how far the bus is above that, and kInput, while the gate is off, how far the input is
// above the bus. A battery that fills moves all of them together, and then hardly anything changes.
//
// The grid over them: with the charge, the rate of the battery's polarisation changes, and with the rest of its state
// very little.
inline constexpr double kInputGridV = 0.2;
inline constexpr double kBusGridV = 0.02;
inline constexpr double kInnerGridV = 0.1;
inline constexpr Figure kSocGrid = 0.0005;
inline constexpr double kSlowGridV = 0.5;
inline constexpr Figure kHysteresisGrid = 0.2;
inline constexpr double kBatteryGridK = 1.0;
inline constexpr double kCellGridK = 1.0;
inline constexpr double kPoaGridWpm2 = 10.0;
inline constexpr Figure kLoadGrid = 0.05;
inline constexpr double kPinGridV = 0.1;

// Of a cell, what a Remainder is right for, in unknowns that a transition hardly feels: what comes after it does.
inline constexpr double kPartFrac = 0.25;

// What is remembered of a cell is built at this visit: what comes by more seldom is cheaper to integrate.
inline constexpr int kVisitsToBuild = 8;

// How far a figure may bend between the middle of a cell and its edge.
inline constexpr double kMostBusBendV = 5e-5;
inline constexpr double kMostInputBendV = 5e-3;
inline constexpr double kMostPinBendV = 2e-4;
inline constexpr double kMostBendA = 0.01;
inline constexpr double kMostSpikeBendA = 1.0;  // of what flows while the capacitors level out
inline constexpr double kMostBookBendJ = 1e-6;
inline constexpr double kMostBendAh = 5e-11;
inline constexpr Figure kMostSlowBend = 2e-7;  // volts, shares and kelvin alike
inline constexpr Figure kMostLoadBend = 1e-4;

[[nodiscard]] inline Figure grid(std::size_t slot, std::size_t first_sense) {
  switch (slot) {
    case Slot::kInput:
      return kInputGridV;
    case Slot::kBus:
      return kBusGridV;
    case Slot::kFast:
      return kInnerGridV;
    case Slot::kSlow:
      return kSlowGridV;
    case Slot::kSoc:
      return kSocGrid;
    case Slot::kHysteresis:
      return kHysteresisGrid;
    case Slot::kBatteryDegc:
      return kBatteryGridK;
    case Slot::kCellDegc:
      return kCellGridK;
    case Slot::kPoa:
      return kPoaGridWpm2;
    default:
      return slot < first_sense ? kLoadGrid : kPinGridV;
  }
}

// A full battery, darkness and a cold lamp lie on the rim of a cell, not in its middle: there are bends just there.
[[nodiscard]] inline std::int32_t cell_of(Figure x, Figure per_width) {
  const Figure of_width = x * per_width;
  const Figure at = of_width > -1e9 ? std::min(of_width, 1e9) : -1e9;  // also what is not a number
  const auto towards_zero = static_cast<std::int32_t>(at);
  return towards_zero - (at > static_cast<double>(towards_zero) ? 0 : 1);
}
// Whether cell_of() would say so; of a cell at the far ends it may not know.
[[nodiscard]] inline bool in_cell(Figure x, Figure per_width, std::int32_t cell) {
  const Figure of_width = x * per_width;
  return of_width > static_cast<double>(cell) && of_width <= static_cast<double>(cell) + 1.0;
}
[[nodiscard]] inline Figure middle_of(Figure x, Figure width) {
  return (cell_of(x, 1.0 / width) + 0.5) * width;
}

// What a Sample shows, of a system that was just evaluated at y.
[[nodiscard]] inline std::array<Figure, Transition::kOfStep> shown(const CircuitSystem& system, const Vector& y) {
  const CircuitPoint& q = system.point();
  std::array<Figure, Transition::kOfStep> figures{y[Slot::kInput],     y[Slot::kBus],  q.panel.current_a,
                                                  system.charge_a(),   q.load_a,       q.load_v,
                                                  q.battery.gassing_a, y[Slot::kNetAh]};
  std::copy(y.begin() + system.first_sense(), y.begin() + system.size(), figures.begin() + Transition::kShown);
  return figures;
}

// What the place says, as unknowns.
[[nodiscard]] inline Vector unknowns_at(const CircuitSystem& system, const Vector& place, bool gate_on) {
  Vector y = place;
  y[Slot::kFast] = 0.0;
  y[Slot::kFast] = place[Slot::kFast] - system.parts().battery.inner_v(CircuitSystem::battery_of(y));
  y[Slot::kBus] += place[Slot::kFast];
  if (!gate_on) y[Slot::kInput] += y[Slot::kBus];
  return y;
}

// What Transition::finish() moves: all kOfEnd of it, for what there was before may be of something else.
inline void moved_since(const Vector& start, const Vector& y, const Transition& t, Figure* out) {
  Figure* const end = out + Transition::kOfEnd;
  for (const std::size_t slot : Transition::kMoving) *out++ = y[slot] - start[slot];
  for (std::size_t k = Slot::kFirstLoad; k < Slot::kFirstLoad + t.loads(); ++k) *out++ = y[k] - start[k];
  std::fill(out, end, 0.0);
}

// Whether figures that bend so much may be used: those of a Sample, and those of finish(), of which the books may bend
// so many times as much.
[[nodiscard]] inline bool shown_straight(const Figure* bend) {
  constexpr std::array kMost{kMostInputBendV, kMostBusBendV,   kMostBendA, kMostSpikeBendA,
                             kMostBendA,      kMostInputBendV, kMostBendA, kMostBendAh};
  static_assert(kMost.size() == Transition::kShown);
  bool straight = true;
  for (std::size_t k = 0; k < kMost.size(); ++k) straight &= bend[k] <= kMost[k];
  for (std::size_t k = Transition::kShown; k < Transition::kOfStep; ++k) straight &= bend[k] <= kMostPinBendV;
  return straight;
}
[[nodiscard]] inline bool moved_straight(const Figure* bend, std::size_t loads, Figure of_books = 1.0) {
  bool straight = true;
  for (const std::size_t slot : Transition::kMoving) {
    const bool energy = slot >= Slot::kPanelJ && slot <= Slot::kSenseJ;
    const bool charge = slot == Slot::kGassingAh || slot == Slot::kUnstoredAh;
    straight &= *bend++ <= (energy ? of_books * kMostBookBendJ : charge ? of_books * kMostBendAh : kMostSlowBend);
  }
  for (std::size_t k = 0; k < loads; ++k) straight &= *bend++ <= kMostLoadBend;
  return straight;
}

}  // namespace dawnrig::plant::place
