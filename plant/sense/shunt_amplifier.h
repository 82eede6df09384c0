// Plant, sense: an amplifier across a shunt. May use plant/core only.
#pragma once

#include "plant/core/problems.h"

namespace dawnrig::plant {

/// current -- shunt; amplifier across it -- r_out --+-- pin; capacitance from the pin to ground.
struct ShuntAmplifierParams {
  double shunt_ohm{0.01};
  double gain_v_per_v{20.0};  ///< below 0: inverting
  double bias_v{0.0};         ///< its output when nothing flows
  double offset_v{0.0};       ///< of its input
  double lowest_v{0.02};      ///< how near its output comes to ground
  double headroom_v{0.05};    ///< and to the supply
  double r_out_ohm{1e3};
  double capacitance_f{100e-9};
};

void check_shunt_amplifier(Problems& problems, const ShuntAmplifierParams& params);

/// The amplifier's output before r_out, and its slope with the current:
///
///     bias + gain (shunt I + offset), held between lowest and supply - headroom
///
/// exactly but for 1 mV on either side of a limit, where a parabola joins the two. The shunt's resistance is part of
/// the circuit, in the branch whose current it senses; its power is in that branch's book. Left out: the amplifier's
/// own bandwidth (its RC at the pin is far below it), common-mode error, drift. Source: the trade's definitions.
/// Checked in tests/plant/shunt_amplifier_test.cc.
struct AmplifierPoint {
  double output_v{}, d_current{};
};
[[nodiscard]] AmplifierPoint amplifier_at(const ShuntAmplifierParams& params, double current_a, double supply_v);

}  // namespace dawnrig::plant
