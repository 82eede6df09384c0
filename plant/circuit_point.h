// Plant: where the unknowns of the circuit stand, and all its currents at one instant. May use plant only; for
// circuit_system.h.
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
    kInductor,
    kFast,
    kSlow,
    kSoc,
    kHysteresis,
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
    kUnstoredAh,
    kFirstLoad
  };
};

/// The circuit's own instant: every current and what it depends on.
struct CircuitPoint {
  PanelPoint panel;
  BranchPoint branch;
  double shorted_a{};  ///< through the closed switch of a shunt stage
  BuckPoint buck;
  BatteryPoint battery;
  double battery_a{};
  double load_v{};                                  ///< behind the load switch
  double load_a{};                                  ///< all loads
  double load_d_bus{};                              ///< slope of load_a at fixed filaments
  double switched_a{}, switched_d_bus{};            ///< the same of the loads behind the switch
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

/// What the slow parts of the circuit have come to.
struct Standing {
  bool battery_fuse_blown{false};
  bool panel_fuse_blown{false};
  double stage_degc{25.0};
  bool battery_open{false};  ///< by its own board
  bool operator==(const Standing&) const = default;
};

}  // namespace dawnrig::plant
