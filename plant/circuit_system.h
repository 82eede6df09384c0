// Plant: the differential equations of the circuit, in the form that core/rodas3.h integrates. May use plant only; for
// circuit*.cc and the tests of the integrator, not for callers of the plant.
#pragma once

#include <array>
#include <cstddef>
#include <limits>
#include <optional>

#include "plant/circuit_point.h"

namespace dawnrig::plant {

/// One run of the integrator under fixed conditions. Node equations, with I > 0 as in circuit.h:
///
///     Cin  input' = I_panel(input, Tc, G) - I_stage from the input - sum of sense currents at the input
///     Cout bus'   = I_stage into the bus - I_battery - I_loads(bus, filaments) - quiescent - sense currents there
///     I_battery   = (bus - inner)/(cable + r_series),  none while the connector is open
///
/// and those of the battery, lamps, pins and cells in their own headers. The books ride along as unknowns, so that they
/// are integrated by the same method on the same stages. The Jacobian is exact but for the battery's self-heating and
/// self-discharge and what warmth does to its pairs, whose time constants are hours and more; solve() eliminates it
/// down to the two capacitors in a number of operations proportional to the number of unknowns, in place of a dense
/// factorisation. I_stage is the branch of a series stage while its switch conducts; in a shunt stage the branch
/// always, with the switch from the input to ground; in a buck stage both sides of plant/stage/buck.h, whose inductor
/// is an unknown of its own.
class CircuitSystem {
 public:
  static constexpr std::size_t kMostUnknowns = (Slot::kFirstLoad + kMaxLoads + kMaxSense + 1) / 2 * 2;
  using Vector = std::array<double, kMostUnknowns>;

  CircuitSystem(const CircuitParams& params, const CircuitParts& parts, const Conditions& conditions,
                const Standing& standing = {});
  /// Another of the same, all it remembers included, under conditions equal to those of `other`, which it refers to.
  CircuitSystem(const CircuitSystem& other, const Conditions& equal);
  CircuitSystem& operator=(const CircuitSystem&) = delete;
  ~CircuitSystem() = default;

  [[nodiscard]] static BatteryState battery_of(const Vector& y) {
    return {y[Slot::kSoc], y[Slot::kFast], y[Slot::kSlow], y[Slot::kBatteryDegc], y[Slot::kHysteresis]};
  }
  [[nodiscard]] std::size_t size() const { return size_; }
  [[nodiscard]] std::size_t first_sense() const { return first_sense_; }

  /// The slope of the sun within the coming steps; rates() adds it to Slot::kPoa.
  void set_sun_slope(double wpm2_per_s) { sun_slope_wpm2_per_s_ = wpm2_per_s; }
  /// Likewise of a load that follows a schedule.
  void set_load_slope(std::size_t load, double a_per_s) { load_slope_a_per_s_[load] = a_per_s; }
  /// Holds battery, cells and the sun still, for finding the resting voltages.
  void freeze_slow() { frozen_ = true; }

  /// Into the battery at y.
  [[nodiscard]] double battery_a(const Vector& y) const {
    return battery_s_ * (y[Slot::kBus] - parts_.battery.inner_v(battery_of(y)));
  }
  /// Takes the battery's series resistance from y. rates() does so by itself; who asks for less does it once a step.
  void follow_battery(const Vector& y) {
    if (parts_.battery.series_varies()) set_series(y);
  }
  /// Across the battery's own terminals at that current, or its cells if it is off the circuit.
  [[nodiscard]] double terminal_v(const Vector& y, double battery_a) const {
    return connected_ ? y[Slot::kBus] - cable_ohm_ * battery_a : parts_.battery.inner_v(battery_of(y));
  }

  [[nodiscard]] bool rates(const Vector& y, Vector& f);
  void linearise(double s);
  void solve(const Vector& rhs, Vector& k) const;

  /// The same but for the books.
  [[nodiscard]] bool state_rates(const Vector& y, Vector& f);
  /// state_rates() at y from the currents at `near`, which the point() holds and which are so near that straight lines
  /// reach y.
  void state_rates_near(const Vector& near, const Vector& y, Vector& f);
  /// The currents alone: less than rates(), and the point()'s battery is left as it was.
  [[nodiscard]] bool currents(const Vector& y);
  /// The two elements that bend sharply, alone; the rest of the point() is left as it was.
  void panel_and_branch(const Vector& y);
  /// Out of the stage, into the bus; as of the last rates() or currents().
  [[nodiscard]] double charge_a() const { return now_.branch.current_a + now_.buck.into_bus_a; }
  /// Through the shunt of a channel at such a node, likewise; 0 for a voltage.
  [[nodiscard]] double sensed_a(SenseNode node) const;
  /// Of the two capacitors, from the last currents().
  [[nodiscard]] double input_per_s() const {
    return per_input_f_ * (now_.panel.current_a - now_.branch.current_a - now_.from_input_a -
                           (now_.shorted_a + now_.buck.from_input_a));
  }
  [[nodiscard]] double bus_per_s() const {
    return per_output_f_ * (now_.branch.current_a - now_.battery_a - now_.load_a - now_.quiescent.current_a -
                            now_.from_bus_a + now_.buck.into_bus_a);
  }
  /// The battery's rates at a state and current of the caller's choosing.
  [[nodiscard]] BatteryPoint battery_at(const BatteryState& state, double battery_a) {
    return parts_.battery.at(state, battery_a, series_.ohm, battery_scratch_);
  }
  [[nodiscard]] double battery_degc_per_s(const BatteryPoint& q, double battery_degc) const;

  [[nodiscard]] double cell_degc_per_s(double poa_wpm2, double cell_degc) const {
    return (conditions_->ambient_degc + warming_k_per_wpm2_ * (poa_wpm2 > 0.0 ? poa_wpm2 : 0.0) - cell_degc) /
           SingleDiodePanel::kThermalLagS;
  }

  [[nodiscard]] const CircuitParams& params() const { return params_; }
  [[nodiscard]] const CircuitParts& parts() const { return parts_; }
  /// Whether the two capacitors and the branch between them are all there is to the stage.
  [[nodiscard]] bool plain_series() const { return std::holds_alternative<SeriesPwmParams>(params_.stage.topology); }
  [[nodiscard]] double battery_s() const { return battery_s_; }
  /// With contact and fuse: to the battery, and to the panel.
  [[nodiscard]] double cable_ohm() const { return cable_ohm_; }
  [[nodiscard]] double panel_cable_ohm() const { return panel_cable_ohm_; }
  [[nodiscard]] bool battery_connected() const { return battery_s_ > 0.0; }
  [[nodiscard]] bool panel_connected() const { return panel_connected_; }
  /// Out of the panel at y.
  [[nodiscard]] double panel_a(const Vector& y) { return panel_at(y).current_a; }
  [[nodiscard]] double sun_slope_wpm2_per_s() const { return sun_slope_wpm2_per_s_; }

  /// Shade and fault of the panel, as its scratch holds them.
  [[nodiscard]] const PanelScratch& panel_scratch() const { return panel_scratch_; }
  /// As of the last rates() or currents().
  [[nodiscard]] const CircuitPoint& point() const { return now_; }
  /// Keeps the last rates() as what linearise() works from; for a step that is tried again after other evaluations.
  void mark() { marked_ = now_, marked_y_ = y_; }

 private:
  CircuitSystem(const CircuitSystem&) = default;  // points into the other one
  void warm_stage(double degc);
  void battery_and_rates(const Vector& y, Vector& f);
  [[nodiscard]] PanelPoint panel_at(const Vector& y);
  [[nodiscard]] PanelPoint panel_behind_more(const Vector& y);
  [[nodiscard]] bool load_currents(const Vector& y);
  [[nodiscard]] bool switched_loads(const Vector& y);
  [[nodiscard]] bool follow_switched(const Vector& y);
  [[nodiscard]] double behind_switch_a(const Vector& y, double v, double& slope_a_per_v);
  void settle_switched(const Vector& y, double v, double a, double slope_a_per_v);
  [[nodiscard]] bool buck_currents(const Vector& y);
  void sense_currents(const Vector& y);
  void book_rates(const Vector& y, Vector& f) const;
  void set_series(const Vector& y);
  void linearise_battery(double s);
  void linearise_loads(double s);
  void linearise_sense(double s);
  void linearise_buck(double s);
  void solve_nodes(const Vector& rhs, double input_a, double bus_a, Vector& k) const;
  [[nodiscard]] double stage_loss_k(const Vector& k) const;
  [[nodiscard]] double sensed_k(SenseNode node, const Vector& k, double battery_k, double switched_own_a) const;
  void solve_books(const Vector& rhs, Vector& k, const struct BatteryCurrents& battery, double load_k) const;

  const CircuitParams& params_;
  const CircuitParts& parts_;
  const Conditions* conditions_;
  std::size_t size_;
  std::size_t first_sense_;
  std::size_t load_count_;
  std::size_t sense_count_;
  bool conducting_;  // the way through BlockingBranch
  bool any_switched_{false};
  bool frozen_{false};
  double shorting_s_{0.0};  // of the closed switch of a shunt stage
  const BlockingBranch* branch_;
  const BuckStage* buck_;  // none: another stage
  BuckDrive drive_;
  std::optional<BlockingBranch> warm_branch_;  // at another temperature than 25 degC
  std::optional<BuckStage> warm_buck_;
  LoadList on_bus_, behind_switch_;  // those that have something to tell; a lamp without power may be in either
  double sun_slope_wpm2_per_s_{0.0};
  std::array<double, kMaxLoads> load_slope_a_per_s_{};
  bool connected_;
  SeriesOhm series_;  // of the battery, scaled
  double cable_ohm_;  // to the battery, scaled
  double panel_cable_ohm_;
  double more_panel_ohm_;  // than the panel's model was built with
  bool panel_connected_;
  double battery_s_;  // conductance of both; 0 while off the circuit
  double per_input_f_, per_output_f_;
  double warming_k_per_wpm2_;
  double stage_degc_;

  PanelScratch panel_scratch_;
  double more_panel_a_{0.0};  // the last root behind more_panel_ohm_
  WrightOmega branch_scratch_;
  BuckStage::Scratch buck_scratch_;
  BatteryScratch battery_scratch_;
  std::array<SenseChannel::Scratch, kMaxSense> sense_scratch_;

  // The last root behind the load switch, and the bus it belongs to.
  double followed_v_{0.0};
  double followed_bus_v_{std::numeric_limits<double>::quiet_NaN()};

  alignas(64) Vector y_{};
  Vector marked_y_;
  CircuitPoint now_;
  std::optional<CircuitPoint> marked_;  // optional so that who never marks need not clear it

  // Set by linearise().
  double s_{}, per_s_{};
  double cell_inverse_{}, heat_inverse_{}, fast_inverse_{}, slow_inverse_{}, soc_inverse_{};
  BatterySlopes battery_;
  double hysteresis_inverse_{}, emf_d_main_{}, drop_d_main_{}, emf_inverse_{}, emf_d_bus_{};  // drop: of series_
  std::array<double, kMaxLoads> lamp_inverse_{};
  double switched_inverse_{}, load_d_bus_{}, switched_d_bus_{};
  std::array<double, kMaxSense> pin_inverse_{};
  double input_self_{}, bus_self_{}, det_inverse_{};
  double inductor_inverse_{};
  std::array<double, 2> input_row_s_{}, bus_row_s_{};  // of the two nodes, with a buck stage between them
};

}  // namespace dawnrig::plant
