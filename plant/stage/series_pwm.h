// Plant, stage: the series and the shunt stage, whose only way to the battery leads through the blocking diode. May use
// plant/core only.
#pragma once

#include "plant/stage/diode.h"
#include "plant/stage/stage.h"

namespace dawnrig::plant {

/// Series stage: the blocking diode and the closed switch in series, between the input and the bus.
///
///     input o--[diode]--[Rs + Ron]--o bus          current_a > 0 flows from input to bus
///
/// An open switch carries nothing: the body diode of a single transistor is behind the blocking diode.
///
/// Shunt stage: the diode alone, always in place; the closed switch is Ron from the input to ground.
///
///     input o--+--[diode]--[Rs]--o bus
///              +--[Ron, while closed]--o ground
///
/// Its switch's body diode would conduct below -0.6 V at the input, where no panel brings it. Not modelled in either:
/// the time the switch takes and what it loses meanwhile, and the inductance of the leads, which rounds off the inrush
/// of the first microseconds. Checked by bisection in tests/plant/series_pwm_test.cc, and against a circuit simulator
/// in tests/plant/ngspice_*_test.cc.
class BlockingBranch {
 public:
  explicit BlockingBranch(const StageParams& checked, double junction_degc = 25.0);
  [[nodiscard]] BranchPoint at(double across_v, WrightOmega& omega) const { return branch_.at(across_v, omega); }

 private:
  DiodeBranch branch_;
};

}  // namespace dawnrig::plant
