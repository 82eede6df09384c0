// Plant: what is left of a gate interval after a transition, as it is remembered. May use plant only; for
// transition_memory.h.
#pragma once

#include <array>
#include <cstddef>

#include "plant/pin_ways.h"
#include "plant/transition.h"

namespace dawnrig::plant {

/// From the end of a transition to the next edge, as a function of where the circuit stood at the edge before and of
/// how long it lasts; laid out like a Transition, in a part of the same cell. What it moves is counted from the end of
/// the transition. On the way it knows the pins: what the edge has left of their distance from where their nodes draw
/// them fades as their networks let it, and a polynomial through some instants leads to the rest at all others.
class Remainder {
 public:
  using Vector = CircuitSystem::Vector;
  using Away = Transition::Away;
  using Sample = Transition::Sample;
  static constexpr std::size_t kMostSteps = 4;
  static constexpr std::size_t kNodes = 6;  ///< for pins, both ends among them

  using Shares = std::array<Figure, kNodes>;  ///< of its length

  /// How long it is in one case, and what the battery got before it.
  struct Span {
    Nanos whole{0};
    double longer_s{};  ///< than in the middle of the cell
    double net_before_ah{};
  };

  void make_room(std::size_t rows) { rows_.resize(rows * kWide); }
  /// How far a place is from its middle.
  [[nodiscard]] Away away(const Transition& after, const Away& of_transition) const;

  [[nodiscard]] std::size_t steps() const { return steps_; }
  [[nodiscard]] Span span(const Transition& after, const Away& of_transition, Nanos whole) const;
  /// When step i ends, from the end of the transition.
  [[nodiscard]] Nanos end_of(std::size_t i, const Span& span) const {
    return i + 1 == steps_ ? span.whole
                           : Nanos{static_cast<std::int64_t>(share_frac_[i] * static_cast<double>(span.whole.count()))};
  }
  /// How far the bus goes below and above where it stood at the edge; a little further at most.
  [[nodiscard]] double lowest_v() const { return lowest_v_; }
  [[nodiscard]] double highest_v() const { return highest_v_; }
  [[nodiscard]] Sample sample(std::size_t i, const Away& away, const Span& span) const;
  /// All unknowns but the sun, from the end of a transition on of which only the sample may be missing. Returns the
  /// end's.
  Sample pass(const Away& away, const Span& span, const CircuitSystem& system, Vector& y) const;
  /// A pin so long after the transition.
  [[nodiscard]] double pin_v(std::size_t pin, const Away& away, const Span& span, Nanos after) const;
  /// A pin and its network when the remainder begins.
  [[nodiscard]] const SensePoint& pin_start(std::size_t pin) const { return pin_start_[pin]; }

  static constexpr std::size_t kMovedAt = kMostSteps * Transition::kOfStep;
  static constexpr std::size_t kPinsAt = kMovedAt + Transition::kOfEnd;
  static constexpr std::size_t kOfPin = kNodes + 2;  ///< even, for the sake of vectors
  static constexpr std::size_t kWide = kPinsAt + kOfPin * kMaxSense;
  /// Where a row has a pin at a node, and what fades of it.
  [[nodiscard]] static constexpr std::size_t node_at(std::size_t pin, std::size_t node) {
    return kPinsAt + pin * kOfPin + node;
  }
  [[nodiscard]] static constexpr std::size_t fades_at(std::size_t pin) { return node_at(pin, kNodes); }

 private:
  friend class TransitionMemory;

  // The first kUsed of so many.
  template <std::size_t kFigures, std::size_t kUsed = kFigures>
  [[nodiscard]] std::array<Figure, kFigures> figures(std::size_t from, const Away& away, double longer_s) const;
  /// One of a pin's.
  [[nodiscard]] Figure figure(std::size_t at, std::size_t pin, const Away& away, double longer_s) const;
  /// How much is left of what fades at a pin.
  [[nodiscard]] double faded_frac(std::size_t pin, double since_s) const;
  [[nodiscard]] Figure* row(std::size_t i) { return rows_.data() + i * kWide; }
  [[nodiscard]] const Figure* row(std::size_t i) const { return rows_.data() + i * kWide; }

  std::size_t steps_{0}, columns_{0}, loads_{0}, pins_{0};
  std::array<double, kMostSteps> share_frac_{};
  Nanos middle_length_{0}, length_width_{0};
  double lowest_v_{}, highest_v_{};
  std::array<SensePoint, kMaxSense> pin_start_;
  Vector middle_{};
  // Figures in the middle of the cell, their slopes in every column, in the length, and in pins: what each step shows,
  // what has moved at the end, and pins at the nodes, all pins without what fades; and what fades. Net charge and what
  // has moved are rates over the time since the transition: a slope in the length would know nothing of their slopes in
  // the other columns.
  AsFound<Figure> rows_;
};

/// Where the nodes are in the remainder: those of Lobatto.
[[nodiscard]] const Remainder::Shares& remainder_nodes_frac();

}  // namespace dawnrig::plant
