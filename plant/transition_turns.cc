// Where in a remembered transition something may have its least or greatest: see Transition::Turn.
#include <algorithm>
#include <array>
#include <cmath>

#include "plant/transition_memory.h"
#include "plant/transition_place.h"

namespace dawnrig::plant {
namespace {

using namespace place;

// What a step may be less or more than those that are looked at.
constexpr std::array kUnseen{1e-4, 1e-6, 1e-4, 1e-2, 1e-5, 1e-6, 1e-6};
constexpr double kUnseenPinV = 1e-6;
constexpr double kUnseenPanelV = 1e-4;

double unseen(std::size_t figure) {
  return figure < kUnseen.size() ? kUnseen[figure] : figure < Transition::kOfStep ? kUnseenPinV : kUnseenPanelV;
}

}  // namespace

// All that is remembered is linear in the place, so how far one step is above another at most, anywhere in the cell, is
// the difference in the middle and its slopes as far as the cell reaches. A step that another is above everywhere need
// not be looked at.
void TransitionMemory::find_turns(Transition& t, const CircuitSystem& system) {
  std::array<Figure, Transition::kMostColumns> reach{};
  for (std::size_t c = 0; c < t.columns_; ++c) reach[c] = 0.5 * grid(t.column_slot_[c], system.first_sense());
  const auto figure = [&](std::size_t block, std::size_t row, std::size_t k) {
    const double* const figures = t.blocks_.data() + block + row * Transition::kOfStep;
    return k < Transition::kOfStep
               ? figures[k]
               : figures[Transition::kInputShown] + system.panel_cable_ohm() * figures[Transition::kPanelShown];
  };
  // Of `sign` times a figure, between two steps.
  const auto most_above = [&](std::size_t block, std::size_t other, std::size_t k, double sign) {
    double most = sign * (figure(block, 0, k) - figure(other, 0, k));
    for (std::size_t c = 0; c < t.columns_; ++c) {
      most += reach[c] * std::abs(figure(block, 1 + c, k) - figure(other, 1 + c, k));
    }
    const bool pin = k >= Transition::kShown && k < Transition::kOfStep;
    const std::size_t own = 1 + t.columns_;
    return most + (pin ? 0.5 * kPinGridV * std::abs(figure(block, own, k) - figure(other, own, k)) : 0.0);
  };
  t.turn_count_ = 0;
  const std::size_t last = t.steps_ - 1;
  for (std::size_t k = 0; k <= Transition::kOfStep; ++k) {
    if (k == Transition::kNetShown) continue;
    std::array<bool, Transition::kMostSteps> turns{};
    for (const double sign : {1.0, -1.0}) {
      // From those that stand out most in the middle, so that they are what the others are held against.
      std::array<std::size_t, Transition::kMostSteps> order{};
      for (std::size_t i = 0; i < last; ++i) order[i] = i;
      std::sort(order.begin(), order.begin() + last, [&](std::size_t a, std::size_t b) {
        return sign * figure(t.block_at(a), 0, k) > sign * figure(t.block_at(b), 0, k);
      });
      std::array<std::size_t, Transition::kMostSteps + 2> looked_at{t.beside_at(0), t.block_at(last)};
      std::size_t count = 2;
      for (std::size_t n = 0; n < last; ++n) {
        const std::size_t block = t.block_at(order[n]);
        const bool stands_out = std::all_of(looked_at.begin(), looked_at.begin() + count, [&](std::size_t other) {
          return most_above(block, other, k, sign) > unseen(k);
        });
        if (!stands_out) continue;
        looked_at[count++] = block;
        turns[order[n]] = true;
      }
    }
    for (std::size_t i = 0; i < last; ++i) {
      if (turns[i]) t.turns_[t.turn_count_++] = {static_cast<std::uint8_t>(i), static_cast<std::uint8_t>(k)};
    }
  }
}

}  // namespace dawnrig::plant
