// Plant: the step of last resort. May use plant only; for the steppers.
#pragma once

#include "plant/circuit_system.h"

namespace dawnrig::plant {

/// y1 = y + h f(y1), by Newton with halved steps where a full one does not bring f nearer: order 1, and does not
/// overshoot. For steps of a nanosecond whose error is still too large: what moves faster than that has settled within
/// them, and a method that linearises once would be thrown about by a diode that turns on or off meanwhile. Energy that
/// its storages gave and no other book took is booked to the stage. False: no root was found.
[[nodiscard]] bool backward_euler(CircuitSystem& system, const CircuitSystem::Vector& y, double h_s,
                                  const CircuitSystem::Vector& inverse_tolerance, CircuitSystem::Vector& next);

}  // namespace dawnrig::plant
