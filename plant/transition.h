// Plant: what follows a gate edge for some tens of microseconds, as it is remembered. May use plant only; for
// transition_memory.h.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>

#include "plant/as_found.h"
#include "plant/circuit_system.h"

namespace dawnrig::plant {

/// One of a row of quantities of different units.
using Figure = double;

/// What follows an edge, for some tens of microseconds, as a function of where the circuit stood: the capacitors, pins
/// and books at the ends of the integrator's steps, each a constant and a slope for every unknown that matters.
///
/// Valid within one cell of a grid over the unknowns, about whose middle it is laid out: central differences of the
/// GateStepper's own steps. How far it bends within the cell is found at the same time (the second differences), and
/// what bends by more than kMostBend allows is not used.
class Transition {
 public:
  using Vector = CircuitSystem::Vector;
  static constexpr std::size_t kMostSteps = 24;
  static constexpr std::size_t kMostColumns = Slot::kFirstLoad + kMaxLoads;
  static constexpr std::size_t kInputShown = 0, kBusShown = 1, kPanelShown = 2, kNetShown = 7;  ///< in a Sample
  static constexpr std::size_t kShown = 8;  ///< figures of a Sample without pins
  static constexpr std::size_t kOfStep = kShown + kMaxSense;
  static constexpr std::size_t kOfEnd = 22;  ///< figures of finish()
  /// What most circuits have no more of, so that the rest of those figures need not be worked out.
  static constexpr std::size_t kFewPins = 6, kFewLoads = 5;

  /// The circuit at the end of one step of the integrator.
  struct Sample {
    double input_v{}, bus_v{}, panel_a{}, charge_a{}, load_a{}, load_v{}, gassing_a{}, net_ah{};
    std::array<double, kMaxSense> pin_v{};
  };
  /// What of all Samples the battery's gross charge asks for.
  struct Charged {
    std::array<double, kMostSteps> bus_v, net_ah;
  };
  /// How far a circuit is from the middle of the cell, column by column.
  struct Away {
    std::array<Figure, kMostColumns> of;
    std::array<double, kMaxSense> pin_v;
  };

  [[nodiscard]] std::size_t steps() const { return steps_; }
  /// When step i ends, from the edge.
  [[nodiscard]] Nanos end_of(std::size_t i) const { return ends_[i]; }
  /// How many of them end by then.
  [[nodiscard]] std::size_t steps_within(Nanos left) const {
    return static_cast<std::size_t>(std::upper_bound(ends_.begin(), ends_.begin() + steps_, left) - ends_.begin());
  }
  [[nodiscard]] Nanos length() const { return ends_[steps_ - 1]; }
  /// Where y is, in the measures in which it is compared: see transition_memory.cc.
  [[nodiscard]] static Vector place_of(const CircuitSystem& system, const Vector& y, bool gate_on);
  [[nodiscard]] Away away(const Vector& place) const;
  /// How far the bus goes below and above its start; a little further at most.
  [[nodiscard]] double lowest_v() const { return lowest_v_; }
  [[nodiscard]] double highest_v() const { return highest_v_; }
  [[nodiscard]] Sample sample(std::size_t i, const Away& away) const { return row(block_at(i), away); }
  /// Right after the edge.
  [[nodiscard]] Sample at_edge(const Away& away) const { return row(beside_at(0), away); }
  /// Over all steps, by straight lines from one to the next.
  [[nodiscard]] Sample mean(const Away& away) const { return row(beside_at(1), away); }
  /// A figure of a Sample that may have its least or greatest at ends of steps other than the last, and where its
  /// values there stand among all such: by its place in a Sample, or kOfStep for the panel's own voltage, which is
  /// worked out from two values, input and panel_a.
  struct Turning {
    std::uint16_t figure{}, first{}, end{};
    Figure steady_beyond{};  ///< where the last step is further than that from the edge, none is beyond both
    [[nodiscard]] bool is_pin() const { return figure >= kShown && figure < kOfStep; }
  };
  [[nodiscard]] const Turning* turning_begin() const { return turning_.data(); }
  [[nodiscard]] const Turning* turning_end() const { return turning_.data() + turning_count_; }
  static constexpr std::size_t kTurnsAtOnce = 8;
  static constexpr std::size_t kMostTurns = (kOfStep + 2) * kMostSteps + kTurnsAtOnce;
  /// Values of those that have been asked for.
  struct AtTurns {
    std::array<Figure, kMostTurns> of;
    std::size_t known{0};
  };
  /// Adds those of one, which stands after all that were asked for: digit by digit those of the samples.
  void ask_for(const Turning& turning, const Away& away, AtTurns& values) const;
  /// Into the battery, in all.
  [[nodiscard]] double net_ah(const Away& away) const;
  /// A part of every sample, digit by digit the same.
  [[nodiscard]] Charged charged(const Away& away) const;
  /// Moves the unknowns that move of themselves, other than capacitors, pins, sun and cells, from the edge to the end
  /// of step i.
  void finish(std::size_t i, const Away& away, Vector& y) const;
  /// All unknowns but the sun, likewise. Returns the sample there.
  Sample pass(std::size_t i, const Away& away, const CircuitSystem& system, Vector& y) const;
  /// The same to the end, for who asks the Remainder where capacitors and pins then are.
  void pass_but_for_sample(const Away& away, const CircuitSystem& system, Vector& y) const;
  /// Capacitors, pins and net charge.
  static void stand_at(const Sample& at, const CircuitSystem& system, Vector& y);
  /// Cells, over so long.
  static void move_cells(Nanos length, const CircuitSystem& system, Vector& y);

  /// The unknowns that finish() moves, before the loads.
  static constexpr std::array kMoving{Slot::kFast,        Slot::kSlow,   Slot::kSoc,     Slot::kHysteresis,
                                      Slot::kBatteryDegc, Slot::kPanelJ, Slot::kWiringJ, Slot::kStageJ,
                                      Slot::kBatteryJ,    Slot::kLoadsJ, Slot::kSenseJ,  Slot::kGassingAh,
                                      Slot::kUnstoredAh};
  static constexpr std::size_t kOfStepOfFew = kShown + kFewPins, kOfEndOfFew = kMoving.size() + kFewLoads;
  [[nodiscard]] std::size_t columns() const { return columns_; }
  [[nodiscard]] std::size_t loads() const { return loads_; }

 private:
  friend class TransitionMemory;
  friend class Remainder;
  // The first kUsed of so many.
  template <std::size_t kFigures, std::size_t kUsed = kFigures>
  [[nodiscard]] std::array<Figure, kFigures> figures(const Figure* block, const Away& away) const;
  [[nodiscard]] Sample row(std::size_t block, const Away& away) const;
  [[nodiscard]] std::size_t block_at(std::size_t i) const { return i * (columns_ + 2) * kOfStep; }
  [[nodiscard]] std::size_t end_at(std::size_t i) const { return block_at(steps_) + i * (columns_ + 2) * kOfEnd; }
  // Laid out like a step: the edge, and the mean.
  [[nodiscard]] std::size_t beside_at(std::size_t i) const { return end_at(steps_) + i * (columns_ + 2) * kOfStep; }

  std::size_t steps_{0}, pins_{0}, columns_{0}, loads_{0};
  std::array<Nanos, kMostSteps> ends_{};
  std::array<std::size_t, kMostColumns> column_slot_{};
  Vector middle_{};
  double lowest_v_{}, highest_v_{};
  std::array<Turning, kOfStep + 1> turning_;
  std::size_t turning_count_{0}, turn_count_{0};
  // For each step what it shows and then what finish() moves, the edge and the mean: figures in the middle of the cell,
  // their slopes in every column, and in pins.
  AsFound<Figure> blocks_;
  AsFound<Charged> charged_;  // of the same blocks, column by column
  // Likewise, of the figures at turns: the rest for kTurnsAtOnce of them after another, and their slopes in pins.
  AsFound<Figure> turn_rows_, turn_pins_;
};

}  // namespace dawnrig::plant
