// Plant, stage: the step-down stage between its three storages. May use plant/core only.
#pragma once

#include <array>
#include <optional>

#include "plant/stage/diode.h"
#include "plant/stage/stage.h"

namespace dawnrig::plant {

/// The stage at one instant. The slopes, d_state, are against input voltage, bus voltage and inductor
/// current.
struct BuckPoint {
  double from_input_a{}, into_bus_a{};
  double inductor_a_per_s{};
  std::array<double, 3> from_input_d_state{}, into_bus_d_state{}, inductor_d_state{};
  double node_v{};  ///< where switch, freewheel and inductor meet
};

/// What the transistors are told to do.
struct BuckDrive {
  bool main_on{false};
  bool freewheel_on{false};  ///< of a complementary transistor; of one that turns off at zero current, that it may
};

/// A driver that turns its transistor off at zero current: n Vt and Is of the diode that it makes of it.
inline constexpr double kZeroKneeV = 5e-3;
inline constexpr double kZeroLeakA = 1e-3;

/// The switching node x has no storage: its voltage solves, at every instant,
///
///     input o--[switch | diode]--x--+--[L]--[Rw]--+--o bus          i > 0 through L towards the bus
///                                |  +---[Rcore]---+
///            ground o--[freewheel]
///
///     I_main(input - x) + I_freewheel(-x) = i + (x - bus)/Rcore
///     L i' = x - bus - Rw i,      from the input: I_main,      into the bus: i + (x - bus)/Rcore
///
/// Closed, the main switch is Ron, behind the blocking diode where one is fitted. Open, it is nothing, or its body
/// diode from x to the input where no blocking diode is fitted. Freewheeling goes through a diode, or through a
/// transistor: one that conducts whenever the main switch does not (Ron, both ways), or one that its driver turns off
/// at zero current, taken as a diode of 5 mV knee that lets 1 mA back. With a dead driver both are open and the body
/// diode is left. Current that runs out lets x rise to the bus within L/Rcore, so that discontinuous conduction needs
/// no event.
///
/// Not modelled: dead time and what the body diode loses in it, switching losses, recovered charge, ringing of x with
/// the transistors' capacitance, saturation of the inductor. Sources: Kirchhoff; ideal-diode controllers regulate a
/// forward drop of a millivolt to some tens. Checked in tests/plant/buck_test.cc, and against a circuit simulator in
/// tests/plant/ngspice_buck_test.cc.
class BuckStage {
 public:
  BuckStage(const StageParams& checked, const BuckParams& buck, double degc = 25.0);

  struct Scratch {
    WrightOmega main, freewheel, body;
    double node_v{0.0};  ///< the last root: the next one is looked for from there
  };
  /// False: no root was found, which only numbers that are none can bring about.
  [[nodiscard]] bool at(double input_v, double bus_v, double inductor_a, const BuckDrive& drive, Scratch& scratch,
                        BuckPoint& point) const;

  [[nodiscard]] double inductance_henry() const { return inductance_henry_; }
  [[nodiscard]] bool blocks_reverse() const { return blocks_reverse_; }

 private:
  struct Ports {
    BranchPoint main, freewheel;  ///< both into x; slopes against input - x and against -x
  };
  [[nodiscard]] Ports ports_at(double input_v, double node_v, const BuckDrive& drive, Scratch& scratch) const;

  double inductance_henry_, winding_ohm_, core_s_;
  double main_s_, freewheel_s_;
  bool blocks_reverse_;
  Freewheel freewheel_;
  DiodeBranch blocking_, body_, freewheel_diode_, until_zero_;
};

}  // namespace dawnrig::plant
