// What a pin's drive means on a board. Room: harness/rig. May use harness/device, harness/profile.
#pragma once

#include "harness/device/virtual_device.h"
#include "harness/profile/profile.h"

namespace dawnrig::rig {

/// Only what a board resistor leaves undecided is decided by the pull: a pull-up inside the microcontroller is tens of
/// kilohm and loses against the resistor that a gate needs.
[[nodiscard]] inline bool level_of(device::Drive drive, profile::Pull pull) {
  switch (drive) {
    case device::Drive::kHigh:
      return true;
    case device::Drive::kLow:
      return false;
    case device::Drive::kHighImpedance:
    case device::Drive::kPullUp:
      break;
  }
  return pull == profile::Pull::kUp;
}

/// Whether the switch behind a pin is commanded to conduct.
[[nodiscard]] inline bool commanded_on(device::Drive drive, const profile::SwitchPin& pin) {
  return level_of(drive, pin.pull) == (pin.polarity == profile::Polarity::kActiveHigh);
}

}  // namespace dawnrig::rig
