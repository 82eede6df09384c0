// Plant: the differential equations of the circuit, in the form that core/rodas3.h integrates. May use plant only; for
// circuit.cc and the tests of the integrator, not for callers of the plant.
#pragma once

#include <array>
#include <cstddef>
#include <limits>

#include "plant/circuit.h"

namespace dawnrig::plant {

/// Where each quantity stands in the vector of unknowns. Loads follow kFirstLoad, then the sense pins.
struct Slot {
  enum : std::size_t {
    kInput,
    kBus,
    kFast,
    kSlow,
    kSoc,
    kBatteryDegc,
    kCellDegc,
    kPoa,
    kPanelJ,
    kWiringJ,
    kStageJ,
    kBatteryJ,
    kLoadsJ,
    kSenseJ,
    kNetAh,
    kGassingAh,
    kFirstLoad
  };
};

/// The circuit's own instant: every current and what it depends on.
struct CircuitPoint {
  PanelPoint panel;
  BranchPoint branch;
  LeadAcidPoint battery;
  double battery_a{};
  double load_v{};                                  ///< behind the load switch
  double load_a{};                                  ///< all loads
  double load_d_bus{};                              ///< slope of load_a at fixed filaments
  double switched_share_frac{1.0};                  ///< of a current's drift behind the load switch, seen from the bus
  double from_input_a{}, from_bus_a{};              ///< into all sense networks
  double input_sense_d_input{}, bus_sense_d_bus{};  ///< their slopes at fixed pins
  LoadPoint quiescent;
  std::array<LoadPoint, kMaxLoads> loads;
  std::array<SensePoint, kMaxSense> sense;
};

/// Which of the loads, by their place among all.
class LoadList {
 public:
  void add(std::size_t index) { index_[count_++] = index; }
  [[nodiscard]] const std::size_t* begin() const { return index_.data(); }
  [[nodiscard]] const std::size_t* end() const { return index_.data() + count_; }

 private:
  std::array<std::size_t, kMaxLoads> index_{};
  std::size_t count_{0};
};

/// One run of the integrator under fixed conditions. Node equations, with I > 0 as in circuit.h:
///
///     Cin  input' = I_panel(input, Tc, G) - I_branch(input - bus) - sum of sense currents at the input
///     Cout bus'   = I_branch - I_battery - I_loads(bus, filaments) - quiescent - sum of sense currents at the bus
///     I_battery   = (bus - inner)/(cable + r_series),  none while the connector is open
///
/// and those of the battery, lamps, pins and cells in their own headers. The books ride along as unknowns, so that they
/// are integrated by the same method on the same stages. The Jacobian is exact but for the battery's self-heating,
/// whose time constant is hours; solve() eliminates it down to the two capacitors in a number of operations
/// proportional to the number of unknowns, in place of a dense factorisation.
class CircuitSystem {
 public:
  static constexpr std::size_t kMostUnknowns = Slot::kFirstLoad + kMaxLoads + kMaxSense;
  using Vector = std::array<double, kMostUnknowns>;

  CircuitSystem(const CircuitParams& params, const CircuitParts& parts, const Conditions& conditions);

  [[nodiscard]] std::size_t size() const { return size_; }
  [[nodiscard]] std::size_t first_sense() const { return first_sense_; }

  /// The slope of the sun within the coming steps; rates() adds it to Slot::kPoa.
  void set_sun_slope(double wpm2_per_s) { sun_slope_wpm2_per_s_ = wpm2_per_s; }
  /// Holds battery, cells and the sun still, for finding the resting voltages.
  void freeze_slow() { frozen_ = true; }

  /// Into the battery at y.
  [[nodiscard]] double battery_a(const Vector& y) const {
    return battery_s_ * (y[Slot::kBus] - parts_.battery.inner_v(
                                             {y[Slot::kSoc], y[Slot::kFast], y[Slot::kSlow], y[Slot::kBatteryDegc]}));
  }

  [[nodiscard]] bool rates(const Vector& y, Vector& f);
  void linearise(double s);
  void solve(const Vector& rhs, Vector& k) const;

  /// The same but for the books.
  [[nodiscard]] bool state_rates(const Vector& y, Vector& f);
  /// The currents alone: less than rates(), and the point()'s battery is left as it was.
  [[nodiscard]] bool currents(const Vector& y);
  /// The two elements that bend sharply, alone; the rest of the point() is left as it was.
  void panel_and_branch(const Vector& y);
  /// Of the two capacitors, from the last currents().
  [[nodiscard]] double input_per_s() const {
    return per_input_f_ * (now_.panel.current_a - now_.branch.current_a - now_.from_input_a);
  }
  [[nodiscard]] double bus_per_s() const {
    return per_output_f_ *
           (now_.branch.current_a - now_.battery_a - now_.load_a - now_.quiescent.current_a - now_.from_bus_a);
  }
  /// The battery's rates at a state and current of the caller's choosing.
  [[nodiscard]] LeadAcidPoint battery_at(const BatteryState& state, double battery_a) {
    return parts_.battery.at(state, battery_a, series_ohm_, battery_scratch_);
  }
  [[nodiscard]] double battery_degc_per_s(const LeadAcidPoint& q, double battery_degc) const;

  [[nodiscard]] const CircuitParams& params() const { return params_; }
  [[nodiscard]] const CircuitParts& parts() const { return parts_; }
  [[nodiscard]] double battery_s() const { return battery_s_; }
  [[nodiscard]] double cable_ohm() const { return cable_ohm_; }
  [[nodiscard]] double sun_slope_wpm2_per_s() const { return sun_slope_wpm2_per_s_; }

  /// As of the last rates() or currents().
  [[nodiscard]] const CircuitPoint& point() const { return now_; }
  /// Keeps the last rates() as what linearise() works from; for a step that is tried again after other evaluations.
  void mark() { marked_ = now_, marked_y_ = y_; }

 private:
  [[nodiscard]] bool load_currents(const Vector& y);
  [[nodiscard]] bool switched_loads(const Vector& y);
  [[nodiscard]] bool follow_switched(const Vector& y);
  [[nodiscard]] double behind_switch_a(const Vector& y, double v, double& slope_a_per_v);
  void settle_switched(const Vector& y, double v, double a, double slope_a_per_v);
  void sense_currents(const Vector& y);
  void book_rates(const Vector& y, Vector& f) const;
  void linearise_battery(double s);
  void linearise_loads(double s);
  void linearise_sense(double s);
  void solve_books(const Vector& rhs, Vector& k, double battery_k, double gassing_k, double load_k) const;

  const CircuitParams& params_;
  const CircuitParts& parts_;
  const Conditions& conditions_;
  std::size_t size_;
  std::size_t first_sense_;
  std::size_t load_count_;
  std::size_t sense_count_;
  bool conducting_;
  bool any_switched_{false};
  LoadList on_bus_, behind_switch_;  // those that have something to tell; a lamp without power may be in either
  bool frozen_{false};
  double sun_slope_wpm2_per_s_{0.0};
  double series_ohm_;  // of the battery, scaled
  double cable_ohm_;   // to the battery, scaled
  double battery_s_;   // conductance of both; 0 while the connector is open
  double per_input_f_, per_output_f_;

  PanelScratch panel_scratch_;
  WrightOmega branch_scratch_;
  LeadAcidScratch battery_scratch_;
  std::array<SenseChannel::Scratch, kMaxSense> sense_scratch_;

  // The last root behind the load switch, and the bus it belongs to.
  double followed_v_{0.0};
  double followed_bus_v_{std::numeric_limits<double>::quiet_NaN()};

  Vector y_{}, marked_y_{};
  CircuitPoint now_, marked_;

  // Set by linearise().
  double s_{}, per_s_{};
  double cell_inverse_{}, heat_inverse_{}, fast_inverse_{}, slow_inverse_{}, soc_inverse_{};
  double slow_d_main_{}, emf_d_main_{}, emf_inverse_{}, emf_d_bus_{};
  std::array<double, kMaxLoads> lamp_inverse_{};
  double switched_inverse_{}, load_d_bus_{};
  std::array<double, kMaxSense> pin_inverse_{};
  double input_self_{}, bus_self_{}, det_inverse_{};
};

}  // namespace dawnrig::plant
