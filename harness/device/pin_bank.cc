#include "harness/device/pin_bank_internal.h"

namespace dawnrig::device {
namespace {

constexpr avr_io_addr_t kMcucr = 0x55;
constexpr unsigned kPullUpDisable = 0x10;

}  // namespace

PinBank::PinBank(SimulatorCore& core, Surroundings& surroundings, const std::vector<Pin>& watched)
    : core_(core), surroundings_(surroundings) {
  avr_t* avr = core.avr();
  for (auto* io = next_module<avr_ioport_t>(avr, "port"); io != nullptr;
       io = next_module<avr_ioport_t>(avr, "port", &io->io)) {
    Port* port = port_named(io->name);
    port->io = io;
    own_write<&PinBank::write_port>(avr, io->r_port, this);
    own_write<&PinBank::write_ddr>(avr, io->r_ddr, this);
    own_write<&PinBank::write_pin>(avr, io->r_pin, this);
    own_read<&PinBank::read_pin>(avr, io->r_pin, this);
    core.vouch_for(io->r_pin, *this);  // levels change by events only
    for (const avr_io_addr_t address : {io->r_port, io->r_ddr, io->r_pin}) {
      by_address_[address] = port;
    }
  }
  own_write<&PinBank::write_mcucr>(avr, kMcucr, this);
  for (const Pin& pin : watched) {
    if (Port* port = port_named(pin.port); port != nullptr && pin.bit >= 0 && pin.bit < 8) {
      port->pins[static_cast<std::size_t>(pin.bit)].watched = true;
    }
  }
}

PinBank::Port* PinBank::port_named(char name) {
  return name >= 'A' && name <= 'L' ? &ports_[static_cast<std::size_t>(name - 'A')] : nullptr;
}
const PinBank::Port* PinBank::port_named(char name) const {
  return name >= 'A' && name <= 'L' ? &ports_[static_cast<std::size_t>(name - 'A')] : nullptr;
}

void PinBank::reset() {
  for (Port& port : ports_) {
    for (int bit = 0; bit < 8 && port.io != nullptr; ++bit) {
      port.pins[static_cast<std::size_t>(bit)].outputs = {};
      refresh(port, bit, core_.now());
    }
  }
}

void PinBank::let_go(Cycle at) {
  let_go_ = true;
  for (Port& port : ports_) {
    for (int bit = 0; bit < 8 && port.io != nullptr; ++bit) {
      refresh(port, bit, at);
    }
  }
}

void PinBank::take_over(Cycle at, Pin pin, int unit, bool connected, bool level) {
  Port* port = port_named(pin.port);
  if (port == nullptr || port->io == nullptr) {
    return;
  }
  auto& outputs = port->pins[static_cast<std::size_t>(pin.bit)].outputs;
  Output& output = outputs[0].unit == unit || outputs[0].unit < 0 ? outputs[0] : outputs[1];
  output = {unit, connected, level};
  refresh(*port, pin.bit, at);
}

Drive PinBank::computed(const Port& port, int bit) const {
  if (let_go_) {
    return Drive::kHighImpedance;
  }
  const std::uint8_t* data = core_.avr()->data;
  const bool latch = ((data[port.io->r_port] >> bit) & 1) != 0;
  if (((data[port.io->r_ddr] >> bit) & 1) == 0) {
    return latch && (data[kMcucr] & kPullUpDisable) == 0 ? Drive::kPullUp : Drive::kHighImpedance;
  }
  const auto& [first, second] = port.pins[static_cast<std::size_t>(bit)].outputs;
  bool level = latch;
  if (first.connected && second.connected) {
    // Two timers on one pin modulate each other; the port latch chooses the logic.
    level = latch ? (first.level || second.level) : (first.level && second.level);
  } else if (first.connected || second.connected) {
    level = first.connected ? first.level : second.level;
  }
  return level ? Drive::kHigh : Drive::kLow;
}

void PinBank::refresh(Port& port, int bit, Cycle at) {
  PinState& pin = port.pins[static_cast<std::size_t>(bit)];
  const Drive drive = computed(port, bit);
  if (drive != pin.drive) {
    pin.drive = drive;
    if (pin.watched) {
      surroundings_.on_pin(at, Pin{port.io->name, bit}, drive);
    }
  }
  // The simulator drops a level that did not change; what listens there is pin-change and external interrupts.
  avr_raise_irq(port.io->io.irq + bit, level_of(Pin{port.io->name, bit}) ? 1U : 0U);
}

void PinBank::refresh_changed(avr_io_addr_t address, unsigned changed) {
  for (int bit = 0; bit < 8; ++bit) {
    if (((changed >> bit) & 1U) != 0) {
      refresh(*by_address_[address], bit, core_.now());
    }
  }
}

Drive PinBank::drive_of(Pin pin) const {
  const Port* port = port_named(pin.port);
  return port == nullptr || pin.bit < 0 || pin.bit > 7 ? Drive::kHighImpedance
                                                       : port->pins[static_cast<std::size_t>(pin.bit)].drive;
}

bool PinBank::level_of(Pin pin) const {
  const PinState& state = port_named(pin.port)->pins[static_cast<std::size_t>(pin.bit)];
  switch (state.drive) {
    case Drive::kLow:
      return false;
    case Drive::kHigh:
      return true;
    case Drive::kPullUp:
      return state.outside.value_or(true);
    case Drive::kHighImpedance:
      break;
  }
  return state.outside.value_or(false);
}

void PinBank::set_outside(Pin pin, std::optional<bool> level) {
  Port* port = port_named(pin.port);
  if (port != nullptr && port->io != nullptr && pin.bit >= 0 && pin.bit < 8) {
    port->pins[static_cast<std::size_t>(pin.bit)].outside = level;
    refresh(*port, pin.bit, core_.now());
  }
}

avr_irq_t* PinBank::line_of(Pin pin) const {
  const Port* port = port_named(pin.port);
  return port == nullptr || port->io == nullptr ? nullptr : port->io->io.irq + pin.bit;
}

void PinBank::write_port(avr_io_addr_t address, std::uint8_t value) {
  std::uint8_t& cell = core_.avr()->data[address];
  const unsigned changed = cell ^ value;
  cell = value;
  refresh_changed(address, changed);
}

void PinBank::write_ddr(avr_io_addr_t address, std::uint8_t value) {
  write_port(address, value);
}

void PinBank::write_pin(avr_io_addr_t address, std::uint8_t value) {
  const avr_io_addr_t port = by_address_[address]->io->r_port;
  write_port(port, core_.avr()->data[port] ^ bits_written(core_.avr(), value));
}

std::uint8_t PinBank::read_pin(avr_io_addr_t address) {
  const Port& port = *by_address_[address];
  unsigned value = 0;
  for (int bit = 0; bit < 8; ++bit) {
    value |= level_of(Pin{port.io->name, bit}) ? 1U << bit : 0U;
  }
  return static_cast<std::uint8_t>(value);
}

void PinBank::write_mcucr(avr_io_addr_t address, std::uint8_t value) {
  std::uint8_t& cell = core_.avr()->data[address];
  const bool pull_ups_changed = ((cell ^ value) & kPullUpDisable) != 0;
  cell = value;
  if (pull_ups_changed) {
    for (Port& port : ports_) {
      for (int bit = 0; bit < 8 && port.io != nullptr; ++bit) {
        refresh(port, bit, core_.now());
      }
    }
  }
}

}  // namespace dawnrig::device
