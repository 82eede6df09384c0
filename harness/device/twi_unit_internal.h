// The two-wire interface as master on a bus where nobody answers: every address and byte meets a NACK, in bus time.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {

class TwiUnit : public Peripheral {
 public:
  explicit TwiUnit(SimulatorCore& core);
  void reset() override;
  void interrupt_entered() override;

 private:
  enum class Doing : std::uint8_t { kNothing, kStop, kStart, kAddress, kSend, kReceive };

  void write_control(avr_io_addr_t address, std::uint8_t value);
  void write_status(avr_io_addr_t address, std::uint8_t value);
  void begin(unsigned command);
  void on_done(Cycle when);
  void report(unsigned status);
  [[nodiscard]] Cycle clock_cycles() const;

  SimulatorCore& core_;
  avr_twi_t& io_;
  Doing doing_{Doing::kNothing};
  bool owns_bus_{false};
  bool addressed_{false};
  bool reading_{false};
};

}  // namespace dawnrig::device
