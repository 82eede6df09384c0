// The port pins: what each one does to the outside, and what the outside does to it.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {

class PinBank : public Peripheral {
 public:
  PinBank(SimulatorCore& core, Surroundings& surroundings, const std::vector<Pin>& watched);

  void reset() override;
  /// Everything lets go, whatever the registers say: in reset, without supply, after a crash. Until release().
  void let_go(Cycle at);
  void release() { let_go_ = false; }

  /// A timer's output unit takes a pin over from the port (or returns it). Two units can share one pin.
  void take_over(Cycle at, Pin pin, int unit, bool connected, bool level);

  [[nodiscard]] Drive drive_of(Pin pin) const;
  /// The level at the pin: driven, or the outside's, or the pull-up's.
  [[nodiscard]] bool level_of(Pin pin) const;
  /// What the outside puts on the pin; nullopt: nothing is connected.
  void set_outside(Pin pin, std::optional<bool> level);
  /// The simulator's line that is raised with every change of the pin's level; nullptr if the part has no such port.
  [[nodiscard]] avr_irq_t* line_of(Pin pin) const;

 private:
  struct Output {
    int unit{-1};
    bool connected{false};
    bool level{false};
  };
  struct PinState {
    bool watched{false};
    Drive drive{Drive::kHighImpedance};
    std::optional<bool> outside;
    std::array<Output, 2> outputs;
  };
  struct Port {
    avr_ioport_t* io{nullptr};
    std::array<PinState, 8> pins;
  };

  void write_port(avr_io_addr_t address, std::uint8_t value);
  void write_ddr(avr_io_addr_t address, std::uint8_t value);
  void write_pin(avr_io_addr_t address, std::uint8_t value);
  std::uint8_t read_pin(avr_io_addr_t address);
  void write_mcucr(avr_io_addr_t address, std::uint8_t value);

  [[nodiscard]] Port* port_named(char name);
  [[nodiscard]] const Port* port_named(char name) const;
  [[nodiscard]] Drive computed(const Port& port, int bit) const;
  void refresh(Port& port, int bit, Cycle at);
  void refresh_changed(avr_io_addr_t address, unsigned changed);

  SimulatorCore& core_;
  Surroundings& surroundings_;
  std::array<Port, 12> ports_{};           ///< A to L
  std::array<Port*, 0x120> by_address_{};  ///< PIN, DDR and PORT registers to their port
  bool let_go_{true};
};

}  // namespace dawnrig::device
