// Plant: remembers what happens right after a gate edge, so that it need not be integrated anew a thousand times a
// second. May use plant only; callers of Circuit::advance() hold one and look no further.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "plant/circuit_run.h"

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
    std::array<Figure, Slot::kFirstLoad + kMaxLoads> of;
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
  [[nodiscard]] Sample sample(std::size_t i, const Away& away) const;
  /// A part of every sample, digit by digit the same.
  [[nodiscard]] Charged charged(const Away& away) const;
  /// Moves the unknowns that move of themselves, other than capacitors, pins, sun and cells, from the edge to the end
  /// of step i.
  void finish(std::size_t i, const Away& away, Vector& y) const;

  static constexpr std::size_t kShown = 8;  ///< figures of a Sample without pins
  static constexpr std::size_t kOfStep = kShown + kMaxSense;
  static constexpr std::size_t kOfEnd = 22;  ///< figures of finish()

 private:
  friend class TransitionMemory;
  // What finish() moves, before the loads.
  static constexpr std::array kMoving{Slot::kFast,        Slot::kSlow,   Slot::kSoc,     Slot::kHysteresis,
                                      Slot::kBatteryDegc, Slot::kPanelJ, Slot::kWiringJ, Slot::kStageJ,
                                      Slot::kBatteryJ,    Slot::kLoadsJ, Slot::kSenseJ,  Slot::kGassingAh,
                                      Slot::kUnstoredAh};

  template <std::size_t kFigures>
  [[nodiscard]] std::array<Figure, kFigures> figures(const Figure* block, const Away& away) const;
  [[nodiscard]] std::size_t block_at(std::size_t i) const { return i * (columns_ + 2) * kOfStep; }
  [[nodiscard]] std::size_t end_at(std::size_t i) const { return block_at(steps_) + i * (columns_ + 2) * kOfEnd; }

  std::size_t steps_{0}, pins_{0}, columns_{0}, loads_{0};
  std::array<Nanos, kMostSteps> ends_{};
  std::array<std::size_t, Slot::kFirstLoad + kMaxLoads> column_slot_{};
  Vector middle_{};
  double lowest_v_{}, highest_v_{};
  double inner_v_{};  // of the battery there
  // For each step what it shows and then what finish() moves: figures in the middle of the cell, their slopes in every
  // column, and in pins.
  std::vector<Figure> blocks_;
  std::vector<Charged> charged_;  // of the same blocks, column by column
};

/// Transitions by where they begin, built where a circuit comes by again and again; and what the last advances with the
/// gate off and on have worked out. It belongs to the CircuitState
/// that it serves: a run that is to go on elsewhere bit for bit takes both along. Conditions other than sun and gate
/// that differ from the last ones empty it. Allocates when made, and never after.
class TransitionMemory {
 public:
  using Vector = CircuitSystem::Vector;

  explicit TransitionMemory(const CircuitParams& checked);

  /// What the stage is taken to have while its heat sink is within a quarter of a kelvin of it: the circuit is then the
  /// same from advance to advance, and a diode's forward voltage right within a millivolt.
  [[nodiscard]] double felt_degc(double stage_degc);
  /// What these conditions make of the circuit: kept since the last advance under the same, or made now. Refers to the
  /// parameters.
  [[nodiscard]] CircuitRun& run_under(const CircuitParams& params, const CircuitParts& parts,
                                      const Conditions& conditions, const Standing& with);

  /// What the run under the conditions of the last run_under() foresees.
  [[nodiscard]] Foresight& ahead(bool gate_on) { return runs_[gate_on ? 1 : 0]->ahead; }

  /// Whether that is the way of the pins at an instant, from a circuit that stands at `now`.
  [[nodiscard]] bool foresees(bool gate_on, Nanos now, const Conditions::Sun& sun, Nanos at) const {
    const std::optional<CircuitRun>& run = runs_[gate_on ? 1 : 0];
    return run && run->ahead.covers(now, sun, at);
  }

  /// What is known of a place: nothing, or a transition and where in its cell the place is.
  struct Recalled {
    const Transition* transition{nullptr};
    Transition::Away away;  // of no meaning without one
  };
  /// The transition from y, where it is known, is straight enough and ends within `left`. The run, one of run_under(),
  /// is left as it was.
  [[nodiscard]] Recalled recall(CircuitRun& run, const Vector& y, Nanos left);

  /// For as long as an advance goes on with a run of this memory, nobody else gets one: it might be made anew.
  class Loan {
   public:
    explicit Loan(TransitionMemory& memory) : lent_{memory.lent_} { lent_ = true; }
    ~Loan() { lent_ = false; }
    Loan(const Loan&) = delete;
    Loan& operator=(const Loan&) = delete;

   private:
    bool& lent_;
  };
  [[nodiscard]] bool lent() const { return lent_; }

  [[nodiscard]] std::int64_t built() const { return built_; }
  [[nodiscard]] std::int64_t recalled() const { return recalled_; }

 private:
  static constexpr std::size_t kSets = 16;
  static constexpr std::size_t kWays = 4;
  using Key = std::array<std::int32_t, CircuitSystem::kMostUnknowns>;
  enum class Use : std::uint8_t { kNone, kStraight, kBent };

  struct Entry {
    Key key{};
    bool taken{false};
    int visits{0};
    std::uint64_t last{0};
    Use use{Use::kNone};
    Transition transition;
  };

  [[nodiscard]] Key key_of(const Vector& place, bool gate_on) const;
  Entry& entry_of(const Key& key);
  void meet(const CircuitRun& run);
  void build(CircuitSystem& system, const Vector& place, const Vector& inverse_tolerance, Entry& entry);
  [[nodiscard]] bool lay_out(CircuitSystem& system, const Vector& inverse_tolerance, Transition& t);
  [[nodiscard]] static Vector beside_middle(const CircuitSystem& system, const Transition& t, std::size_t column,
                                            Figure by, Figure& width);
  [[nodiscard]] bool run(CircuitSystem& system, const Vector& inverse_tolerance, const Transition& t,
                         const Vector& place, std::vector<Figure>& out) const;
  [[nodiscard]] bool straight_enough(const Transition& t) const;
  void differentiate(Transition& t, std::size_t column, Figure width);

  // An unknown that tells cells apart, and how many there are to a unit of it.
  struct CellSide {
    std::size_t slot{0};
    Figure per_width{0.0};
  };

  std::array<CellSide, CircuitSystem::kMostUnknowns> sides_;
  std::size_t side_count_{0};
  std::array<std::optional<CircuitRun>, 2> runs_;  // with the gate off and on
  std::array<bool, 2> met_run_{};                  // whether the entries are known to be of its conditions
  Conditions conditions_;
  Standing standing_;
  double felt_degc_{25.0};
  bool met_{false};
  bool lent_{false};
  std::vector<Entry> entries_;
  std::array<std::size_t, 2> last_entry_{};  // with the gate off and on: likely the next one too
  std::uint64_t clock_{0};
  std::int64_t built_{0}, recalled_{0};
  std::vector<Figure> middle_out_, more_out_, less_out_, bend_;
};

}  // namespace dawnrig::plant
