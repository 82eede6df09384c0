// The serial peripheral interface as master: a byte takes eight periods of the chosen clock.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {

class SpiUnit : public Peripheral {
 public:
  SpiUnit(SimulatorCore& core, Surroundings& surroundings);
  void reset() override;

 private:
  void write_data(avr_io_addr_t address, std::uint8_t value);
  std::uint8_t read_data(avr_io_addr_t address);
  void write_control(avr_io_addr_t address, std::uint8_t value);
  void write_status(avr_io_addr_t address, std::uint8_t value);
  std::uint8_t read_status(avr_io_addr_t address);
  void on_shifted(Cycle when);
  void access_data();
  [[nodiscard]] Cycle clock_cycles() const;

  SimulatorCore& core_;
  Surroundings& surroundings_;
  avr_spi_t& io_;
  bool shifting_{false};
  bool flag_seen_{false};  ///< status was read with the flag up: the next access of the data register clears it
  std::uint8_t out_{0};
  std::uint8_t in_{0};
};

}  // namespace dawnrig::device
