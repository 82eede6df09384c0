// The EEPROM: what it holds over resets and power cycles, how long a write takes, how many there were.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {

class EepromUnit : public Peripheral {
 public:
  explicit EepromUnit(SimulatorCore& core);

  void reset() override;
  void interrupt_entered() override;
  /// Erased cells (0xFF) behind the end of `bytes`; what does not fit is dropped.
  void load(std::span<const std::uint8_t> bytes);
  [[nodiscard]] const std::vector<std::uint8_t>& cells() const { return cells_; }
  [[nodiscard]] std::int64_t writes() const { return writes_; }
  /// How often each cell was written, in the order of addresses.
  [[nodiscard]] const std::vector<std::int64_t>& cell_writes() const { return cell_writes_; }

 private:
  void write_control(avr_io_addr_t address, std::uint8_t value);
  void program(unsigned mode);
  void on_armed_end(Cycle when);
  void on_programmed(Cycle when);
  void ask_if_ready();
  [[nodiscard]] std::size_t addressed() const;

  SimulatorCore& core_;
  avr_eeprom_t& io_;
  std::vector<std::uint8_t> cells_;
  std::int64_t writes_{0};
  std::vector<std::int64_t> cell_writes_;
  bool programming_{false};
};

}  // namespace dawnrig::device
