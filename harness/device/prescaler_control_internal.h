// The register that resets or holds the timers' shared prescalers, so that timers can be started in step.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <vector>

#include "harness/device/timer_unit_internal.h"

namespace dawnrig::device {

class PrescalerControl : public Peripheral {
 public:
  PrescalerControl(SimulatorCore& core, TimerClocks& clocks, std::vector<TimerUnit*> timers);
  void reset() override;

 private:
  void write(avr_io_addr_t address, std::uint8_t value);

  SimulatorCore& core_;
  TimerClocks& clocks_;
  std::vector<TimerUnit*> timers_;
  bool held_io_{false};
  bool held_second_{false};
};

}  // namespace dawnrig::device
