// Plant: remembers what happens from a gate edge to the next, so that it need not be integrated anew a thousand times a
// second. May use plant only; callers of Circuit::advance() hold one and look no further.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "plant/circuit_run.h"
#include "plant/remainder.h"
#include "plant/transition.h"

namespace dawnrig::plant {

/// Transitions by where they begin and the remainders behind them by how long they last, built where a circuit comes by
/// again and again; and what the last advances with the gate off and on have worked out. It belongs to the CircuitState
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
    const Transition::Away* away{nullptr};
  };
  /// The transition from y, where it is known, is straight enough and ends within `left`. The run, one of run_under(),
  /// is left as it was. Refers to this, until the next call under this gate.
  [[nodiscard]] Recalled recall(CircuitRun& run, const Vector& y, Nanos left);

  /// The same for who only looks.
  [[nodiscard]] Recalled look_up(CircuitRun& run, const Vector& y);
  /// What the circuit shows at the place that was looked for last under this gate, if somebody has kept it; whoever
  /// leaves that place forgets it.
  [[nodiscard]] std::optional<Probes>& shown_there(bool gate_on) { return found_[gate_on ? 1 : 0].shown; }

  /// A whole interval between two edges.
  struct Interval {
    const Transition* transition{nullptr};
    const Remainder* remainder{nullptr};
    const Transition::Away* away{nullptr};       // of the transition
    const Transition::Away* rest_away{nullptr};  // of the remainder
    Remainder::Span span;
    [[nodiscard]] Nanos whole() const { return transition->length() + span.whole; }
  };
  /// The interval of that length from y, under the same terms; without a transition if it is not known.
  [[nodiscard]] Interval interval(CircuitRun& run, const Vector& y, Nanos whole);
  /// The one that interval() has found last under this gate.
  [[nodiscard]] Interval last_interval(bool gate_on) const;
  /// A pin so long after the edge at which the last interval began; not before its transition has ended.
  [[nodiscard]] double pin_v(bool gate_on, std::size_t pin, Nanos after_edge) const;

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

  [[nodiscard]] std::int64_t built() const { return built_; }          ///< transitions
  [[nodiscard]] std::int64_t intervals() const { return intervals_; }  ///< found, remainder and all
  [[nodiscard]] std::int64_t recalled() const { return recalled_; }

 private:
  static constexpr std::size_t kSets = 16;
  static constexpr std::size_t kRemainderSets = 64;
  static constexpr std::size_t kWays = 4;
  using Key = std::array<std::int32_t, CircuitSystem::kMostUnknowns>;
  enum class Use : std::uint8_t { kNone, kStraight, kBent };

  struct Entry {
    Key key{};
    bool taken{false};
    int visits{0};
    std::uint64_t last{0};
    Use use{Use::kNone};
    std::uint64_t serial{0};  // another after each change of its cell
    Transition transition;
  };
  using Part = std::array<std::int32_t, Transition::kMostColumns>;  // column by column
  struct KnownRemainder {
    std::uint64_t of{0};  // serial of its entry
    Nanos length{0};      // in the middle of its cell
    Part part{};          // of the entry's
    int visits{0};
    std::uint64_t last{0};
    Use use{Use::kNone};
    Remainder remainder;
  };
  // The last place that was looked for, under one gate, and what was found. Entries by number: it is copied along.
  struct Found {
    bool any{false}, known{false};
    Vector y{};
    std::size_t entry{0};
    std::uint64_t serial{0};  // of the entry
    Transition::Away away;
    std::size_t remainder{0};
    Remainder::Span span;
    Transition::Away rest_away;
    std::optional<Probes> shown;
  };

  [[nodiscard]] Key key_of(const Vector& place, bool gate_on) const;
  [[nodiscard]] bool is_key_of(const Key& key, const Vector& place, bool gate_on) const;
  Entry& entry_at(const Vector& place, bool gate_on);
  void meet(const CircuitRun& run);
  [[nodiscard]] Found& find(CircuitRun& run, const Vector& y);
  // Lets the run be used for something else, and leaves it as it was.
  template <class Build>
  static void build_under(CircuitRun& run, const Vector& y, Build build) {
    const double slope_wpm2_per_s = run.system.sun_slope_wpm2_per_s();
    run.system.set_sun_slope(0.0);
    build();
    run.system.set_sun_slope(slope_wpm2_per_s);
    run.system.follow_battery(y);
    run.stepper.forget();
  }
  void build(CircuitSystem& system, const Vector& place, const Vector& inverse_tolerance, Entry& entry);
  [[nodiscard]] bool lay_out(CircuitSystem& system, const Vector& inverse_tolerance, Transition& t);
  [[nodiscard]] static Vector beside(const CircuitSystem& system, const Transition& t, const Vector& middle,
                                     std::size_t column, Figure by, Figure& width);
  [[nodiscard]] bool run(CircuitSystem& system, const Vector& inverse_tolerance, const Transition& t,
                         const Vector& place, std::vector<Figure>& out) const;
  [[nodiscard]] bool straight_enough(const Transition& t) const;
  static void take_means(Transition& t);
  // transition_turns.cc:
  static void find_turns(Transition& t, const CircuitSystem& system);
  using Reach = std::array<Figure, Transition::kMostColumns>;  // from the middle of a cell, column by column
  using Turns = std::array<bool, Transition::kMostSteps>;
  static void lay_out_turning(Transition& t, std::size_t k, const Turns& turns, const Reach& reach);
  static void add_turn(Transition& t, std::size_t step, std::size_t k);
  [[nodiscard]] static Figure steady_beyond_v(const Transition& t, std::size_t k, std::size_t step, const Reach& reach);
  void differentiate(Transition& t, std::size_t column, Figure width);
  // remainder_memory.cc:
  [[nodiscard]] Part part_of_cell(const CircuitSystem& system, const Transition& t, const Vector& y) const;
  [[nodiscard]] static Vector middle_of_part(const CircuitSystem& system, const Transition& t, const Part& part);
  KnownRemainder& remainder_of(const Entry& entry, Nanos middle, const Part& part);
  struct LengthCell {
    Nanos middle, width;
  };
  [[nodiscard]] bool lay_out(CircuitRun& run, const Transition& t, const LengthCell& cell, Remainder& r);
  [[nodiscard]] bool find_steps(CircuitRun& run, const Transition& t, Remainder& r);
  struct RemainderRun {
    const Vector& place;
    Nanos length;
    const Remainder::Shares& nodes_frac;  // of it
    bool middle{false};                   // it is that of the cell
  };
  static void begin_pins(const PinWays& ways, bool middle, Remainder& r, std::vector<Figure>& out);
  [[nodiscard]] bool run_remainder(CircuitRun& run, const Transition& t, const RemainderRun& how, Remainder& r,
                                   std::vector<Figure>& out) const;
  [[nodiscard]] bool differentiate(CircuitRun& run, const Transition& t, std::size_t column, Remainder& r);
  [[nodiscard]] bool pins_between_nodes(CircuitRun& run, const Transition& t, Remainder& r);

  // An unknown that tells cells apart, and how many there are to a unit of it.
  struct CellSide {
    std::size_t slot{0};
    Figure per_width{0.0};
  };

  std::array<CellSide, CircuitSystem::kMostUnknowns> sides_;
  std::size_t side_count_{0};
  std::array<Figure, CircuitSystem::kMostUnknowns> per_part_{};  // of the same, finer: see Remainder
  std::array<std::optional<CircuitRun>, 2> runs_;                // with the gate off and on
  std::array<bool, 2> met_run_{};  // whether the entries are known to be of its conditions
  Conditions conditions_;
  Standing standing_;
  double felt_degc_{25.0};
  bool met_{false};
  bool lent_{false};
  std::vector<Entry> entries_;
  std::array<std::size_t, 2> last_entry_{};  // likewise: likely the next one too
  std::uint64_t clock_{0};
  std::vector<KnownRemainder> remainders_;
  std::array<Found, 2> found_{};  // with the gate off and on
  std::int64_t built_{0}, recalled_{0}, intervals_{0};
  std::vector<Figure> middle_out_, more_out_, less_out_, bend_;
};

// A converter asks for this and the next at each conversion: here, so that they cost no call.
inline bool Circuit::foresees(const CircuitState& state, const Conditions& conditions, Nanos at,
                              const TransitionMemory& memory) {
  return at <= state.now || memory.foresees(conditions.gate_on, state.now, conditions.sun, at);
}

/// Circuit::sampled_v() at the instant of the last approach().
[[gnu::always_inline]] [[nodiscard]] inline double sampled_v(const Circuit& circuit, CircuitState& state,
                                                             const Conditions& conditions, std::size_t channel,
                                                             const AdcInputParams& input, double held_v, Nanos at,
                                                             TransitionMemory& memory) {
  if (at > state.now && input.sampling_capacitance_f == 0.0) {  // nothing is pulled
    Foresight& ahead = memory.ahead(conditions.gate_on);
    if (!ahead.remembered()) return ahead.pin_v(channel, at);
  }
  return circuit.sampled_v(state, conditions, channel, input, held_v, at, memory);
}

}  // namespace dawnrig::plant
