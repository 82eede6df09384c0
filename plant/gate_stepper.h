// Plant: the integrator for stretches as short as a gate interval. May use plant only; for circuit*.cc and tests.
#pragma once

#include <array>
#include <utility>

#include "plant/circuit_system.h"
#include "plant/core/two_modes.h"
#include "plant/pin_ways.h"

namespace dawnrig::plant {

/// An exponential Rosenbrock method of order 4 with an embedded order 3, made for gate edges. Both capacitors, with all
/// conductances at them taken at the start of a step, are solved in closed form; so are the pins behind them. What the
/// straight lines of panel and branch miss is looked at half way and at the end, laid out as a cubic over the step, and
/// solved for likewise; the cubic's share is the error estimate. A cable, switch and capacitor that are nearly linear
/// thus take a step as long as their curvature allows, however stiff they are. Loads, electromotive force and sense
/// currents, which bend mildly, are looked at at the end only and laid out as a parabola: order 3, all of it judged as
/// error. Battery, filaments and cells, which hardly move in a gate interval, go by the midpoint with the exact mean of
/// the battery's current. The books are integrals of products of the closed forms, so that power balances at every
/// instant of the solution: what does not balance is rounding, not proof of accuracy, which the tests measure.
///
/// Two evaluations a step and one more of panel and branch; one, where the closed form misses so little that the one at
/// the end of a step serves the next as its start. Not for long stretches: slow states are explicit here; see
/// suits().
/// Series stages only.
/// Source: exprb43 of Hochbruck, Ostermann and Schweitzer, "Exponential Rosenbrock-type methods", SIAM J. Numer. Anal.
/// 47 (2009) 786. Checked against Rodas3 in steps of a nanosecond in tests/plant/gate_stepper_test.cc.
class GateStepper {
 public:
  using Vector = CircuitSystem::Vector;

  /// `inverse_tolerance` per unknown, zero for those not judged.
  GateStepper(CircuitSystem& system, const Vector& inverse_tolerance, double hint_s);
  /// Another of the same, for a system equal to that of `other`.
  GateStepper(const GateStepper& other, CircuitSystem& equal) : GateStepper{other} { system_ = &equal; }
  GateStepper& operator=(const GateStepper&) = delete;
  ~GateStepper() = default;

  /// Whether a stretch is short enough for this method.
  [[nodiscard]] static bool suits(const CircuitSystem& system, double span_s);

  /// The longest such, for a series stage; 0 for others.
  [[nodiscard]] static double longest_span_s(const CircuitSystem& system);

  /// Takes one step from y of at most `left`; moves y, returns the length. Zero: failed, see status().
  Nanos step(Vector& y, Nanos left);
  /// The pins along the step just taken; their starts are the caller's. Of a nanosecond there may be none.
  void tell_ways(PinWays& ways) const;
  /// One step of just this length, whatever its error. False: it could not be taken, or left the real numbers.
  [[nodiscard]] bool forced(Vector& y, Nanos length);
  /// Evaluates the system at y, where the next step will begin, which then need not. False: it cannot be evaluated.
  [[nodiscard]] bool look(const Vector& y);
  /// Owes a look at y, the end of the last step: paid by go_on_from() if it is just there, and never otherwise. Who has
  /// looked at once goes on from other digits of the last iterations.
  void look_later(const Vector& y);
  /// The next step begins at y, maybe under another sun. What of the last look() is still true is not looked at again.
  void go_on_from(const Vector& y);
  /// What the system makes of y is another than at the last look().
  void forget() { looked_ = near_ = owed_ = false; }
  /// The length to try next.
  void propose(double h_s) { proposed_s_ = h_s; }
  [[nodiscard]] AdvanceStatus status() const { return status_; }
  [[nodiscard]] double proposed_s() const { return proposed_s_; }

 private:
  /// One figure for each current of the two nodes.
  struct Currents {
    double panel_a{}, branch_a{}, battery_a{}, load_a{}, input_sense_a{}, bus_sense_a{};
  };
  /// A node's voltage along the step, less its start.
  struct Excursion {
    double end_v{}, mean_v{};
  };

  // All inline where they are called, which is in one file each.
  // gate_stepper.cc:
  [[nodiscard]] inline bool begin(const Vector& y);
  inline void note_start();
  [[nodiscard]] inline bool but_for_pins(const Vector& y, const Vector& as) const;
  inline void stand_at_end(Vector& y, bool near);
  [[nodiscard]] inline TwoModes modes() const;
  [[nodiscard]] inline Nanos choose(const TwoModes& two, Nanos left);
  [[nodiscard]] inline bool finite(const Vector& y) const;
  // gate_stepper_trial.cc:
  /// One trial; next_ is set. Returns the error against the tolerances; not-a-number if it failed.
  [[nodiscard]] double attempt(const Vector& y, const TwoModes& two, double h_s);
  [[nodiscard]] inline Currents missed_sharply(const Vector& y) const;
  [[nodiscard]] inline Currents missed(const Vector& y, double h_s) const;
  [[nodiscard]] inline TwoModes::Pair nodes_per_s(const Currents& i) const;
  [[nodiscard]] inline double move_slow(const Vector& y, double mean_battery_a, double h_s);
  inline void place_pins(const Vector& y, const TwoModes::Step& s, double h_s, const Excursion& input,
                         const Excursion& bus);
  [[nodiscard]] inline double move_pins(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s);
  [[nodiscard]] inline Along way_of(SenseNode node, const TwoModes& two, double h_s, double bus_stage_v) const;
  [[nodiscard]] inline double sensed_start_a(SenseNode node) const;
  [[nodiscard]] inline double move_filaments(const Vector& y, double h_s);
  /// Means over a step: into the panel's cable, lost in the stage, into the battery's cable, and so on.
  struct Powers {
    double panel_w{}, stage_w{}, battery_w{}, load_w{}, sense_w{};
    double panel_a2{}, battery_a2{}, battery_a{};
  };
  [[nodiscard]] inline bool quiet_powers(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s,
                                         Powers& mean) const;
  [[nodiscard]] Powers powers(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s) const;
  inline void keep_books(const Vector& y, const TwoModes& two, const TwoModes::Step& s, double h_s);

  GateStepper(const GateStepper&) = default;  // of the other's system

  CircuitSystem* system_;
  const Vector inverse_tolerance_;
  double proposed_s_;
  bool cut_{false};
  bool looked_{false};  // at point_y_, all of it
  bool near_{false};    // the system's point() is that of point_y_, and y is near or the same
  bool owed_{false};    // a look at owed_y_
  bool forced_{false};
  bool converged_{true};
  AdvanceStatus status_{AdvanceStatus::kOk};

  // Vectors begin with a cache line: copied and gone through several times a step, they cost a fifteenth more else.
  alignas(64) Vector point_y_{};
  Vector owed_y_{};
  std::pair<double, double> stage_;  // input and bus where a trial last evaluated the system

  // At the start of the step.
  alignas(64) Vector f_{};
  struct Start {
    PanelPoint panel;
    BranchPoint branch;
    BatteryPoint battery;
    LoadPoint quiescent;
    double load_d_bus, input_sense_d_input, bus_sense_d_bus;
    double switched_a, switched_d_bus, switched_a_per_s;  // of the loads behind their switch; its drift
  };
  Start at_{};
  std::array<SensePoint, kMaxSense> pins_;
  std::array<TwoModes::Follower, kMaxSense> followers_;  // the pins, over the trial
  std::array<double, kMaxSense> missed_v_per_s_{};       // what their networks bend beyond that, at its end
  std::array<Along, kMaxSense> driven_{};                // what they follow
  TwoModes::Forces forces_;                              // on the modes, bent
  TwoNodes nodes_;
  double length_s_{};       // of the trial
  Currents start_, drift_;  // drift: over one second
  Currents bend_, twist_;   // what the straight lines missed: bend tau^2 + twist tau^3
  double emf_v_{}, emf_drift_v_{};
  double mean_battery_a_{};  // as first found, before the miss

  alignas(64) Vector next_{};
};

}  // namespace dawnrig::plant
