// Where in a remembered transition something may have its least or greatest: see Transition::Turn.
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "plant/transition_memory.h"
#include "plant/transition_place.h"

namespace dawnrig::plant {

using namespace place;

namespace {

constexpr Figure kNotAnywhere = std::numeric_limits<Figure>::infinity();

}  // namespace

// All that is remembered is linear in the place, so how far one step is above another at most, anywhere in the cell, is
// the difference in the middle and its slopes as far as the cell reaches. A step that another is above everywhere need
// not be looked at.
void TransitionMemory::find_turns(Transition& t, const CircuitSystem& system) {
  Reach reach{};
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
  t.turning_count_ = t.turn_count_ = 0;
  const std::size_t last = t.steps_ - 1;
  for (std::size_t place = 0; place < Transition::kOfStep; ++place) {
    const std::size_t k = place == Transition::kNetShown ? Transition::kOfStep : place;
    Turns turns{};
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
        const bool stands_out = std::all_of(looked_at.begin(), looked_at.begin() + count,
                                            [&](std::size_t other) { return most_above(block, other, k, sign) > 0.0; });
        if (!stands_out) continue;
        looked_at[count++] = block;
        turns[order[n]] = true;
      }
    }
    lay_out_turning(t, k, turns, reach);
  }
}

// A pin begins where others have been asked for, so that it may be left out.
void TransitionMemory::lay_out_turning(Transition& t, std::size_t k, const Turns& turns, const Reach& reach) {
  Transition::Turning turning{.figure = static_cast<std::uint16_t>(k), .steady_beyond = kNotAnywhere};
  if (turning.is_pin()) {
    turning.steady_beyond = 0.0;
    t.turn_count_ =
        (t.turn_count_ + Transition::kTurnsAtOnce - 1) / Transition::kTurnsAtOnce * Transition::kTurnsAtOnce;
  }
  turning.first = static_cast<std::uint16_t>(t.turn_count_);
  for (std::size_t i = 0; i + 1 < t.steps_; ++i) {
    if (!turns[i]) continue;
    add_turn(t, i, k == Transition::kOfStep ? Transition::kInputShown : k);
    if (k == Transition::kOfStep) add_turn(t, i, Transition::kPanelShown);
    if (turning.is_pin()) turning.steady_beyond = std::max(turning.steady_beyond, steady_beyond_v(t, k, i, reach));
  }
  turning.end = static_cast<std::uint16_t>(t.turn_count_);
  if (turning.end > turning.first) t.turning_[t.turning_count_++] = turning;
}

// What an edge moves in a pin is mostly its own distance from where it is drawn, of which a step has gone some share.
// From a share of the way it strays no further than it does in the middle and as far as the cell reaches. Where that is
// less than what is left of the way at either end, the step is between them.
Figure TransitionMemory::steady_beyond_v(const Transition& t, std::size_t k, std::size_t step, const Reach& reach) {
  constexpr double kRoundingV = 1e-12;
  const auto since_edge = [&](std::size_t of_step, std::size_t row) {
    const std::size_t at = row * Transition::kOfStep + k;
    return t.blocks_[t.block_at(of_step) + at] - t.blocks_[t.beside_at(0) + at];
  };
  const std::size_t last = t.steps_ - 1;
  const std::size_t own = 1 + t.columns_;
  const double share = since_edge(step, own) / since_edge(last, own);
  if (!(share > 0.0 && share < 1.0)) return kNotAnywhere;
  const auto strays = [&](std::size_t row) { return std::abs(since_edge(step, row) - share * since_edge(last, row)); };
  double most_v = kRoundingV + strays(0) + 0.5 * kPinGridV * strays(own);
  for (std::size_t c = 0; c < t.columns_; ++c) most_v += reach[c] * strays(1 + c);
  return most_v / std::min(share, 1.0 - share);
}

// Beside those that are there already.
void TransitionMemory::add_turn(Transition& t, std::size_t step, std::size_t k) {
  const std::size_t i = t.turn_count_++;
  const double* figure = t.blocks_.data() + t.block_at(step) + k;
  const std::size_t beside = i % Transition::kTurnsAtOnce;
  double* const rows = t.turn_rows_.data() + (i - beside) * (1 + t.columns_);
  if (beside == 0) std::fill_n(rows, (1 + t.columns_) * Transition::kTurnsAtOnce, 0.0);
  for (std::size_t row = 0; row <= t.columns_; ++row, figure += Transition::kOfStep) {
    rows[row * Transition::kTurnsAtOnce + beside] = *figure;
  }
  t.turn_pins_[i] = *figure;
}

}  // namespace dawnrig::plant
