// Plant: the differential equations of the circuit, in the form that core/rodas3.h integrates. May use plant only; for
// circuit.cc and the tests of the integrator, not for callers of the plant.
#pragma once

#include <array>
#include <cstddef>

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
  double load_v{};           ///< behind the load switch
  double load_a{};           ///< all loads
  double load_d_bus{};       ///< slope of load_a at fixed filaments
  double load_d_switched{};  ///< conductance of what hangs behind the switch
  LoadPoint quiescent;
  std::array<LoadPoint, kMaxLoads> loads;
  std::array<SensePoint, kMaxSense> sense;
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
  void set_sun_slope(double wpm2_per_s) { sun_slope_ = wpm2_per_s; }
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

  /// As of the last rates().
  [[nodiscard]] const CircuitPoint& point() const { return now_; }
  /// Keeps the last rates() as what linearise() works from; for a step that is tried again after other evaluations.
  void mark() { marked_ = now_, marked_y_ = y_; }

 private:
  [[nodiscard]] bool load_currents(const Vector& y);
  [[nodiscard]] bool switched_loads(const Vector& y);
  void sense_currents(const Vector& y, double& from_bus_a, double& from_input_a);
  void book_rates(const Vector& y, double from_bus_a, double from_input_a, Vector& f) const;
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
  bool frozen_{false};
  double sun_slope_{0.0};
  double series_ohm_;  // of the battery, scaled
  double cable_ohm_;   // to the battery, scaled
  double battery_s_;   // conductance of both; 0 while the connector is open
  double per_input_f_, per_output_f_;

  PanelScratch panel_scratch_;
  WrightOmega branch_scratch_;
  LeadAcidScratch battery_scratch_;
  std::array<SenseChannel::Scratch, kMaxSense> sense_scratch_;

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
