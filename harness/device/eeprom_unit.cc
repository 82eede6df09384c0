#include "harness/device/eeprom_unit_internal.h"

#include <algorithm>

namespace dawnrig::device {
namespace {

constexpr unsigned kRead = 0x01;
constexpr unsigned kProgram = 0x02;
constexpr unsigned kArm = 0x04;
constexpr unsigned kReadyInterrupt = 0x08;
constexpr unsigned kMode = 0x30;
// Data sheet: erase and write in one operation 3.4 ms, either alone 1.8 ms.
constexpr Cycle kBothUs = 3400;
constexpr Cycle kOneUs = 1800;
constexpr Cycle kArmedCycles = 4;

}  // namespace

EepromUnit::EepromUnit(SimulatorCore& core)
    : core_(core),
      io_(*next_module<avr_eeprom_t>(core.avr(), "eeprom")),
      cells_(io_.size, 0xFF),
      cell_writes_(io_.size, 0) {
  own_write<&EepromUnit::write_control>(core.avr(), io_.r_eecr, this);
  core.tell_of_interrupts(*this, io_.ready, false);
}

void EepromUnit::reset() {
  programming_ = false;
}

void EepromUnit::load(std::span<const std::uint8_t> bytes) {
  std::fill(cells_.begin(), cells_.end(), std::uint8_t{0xFF});
  std::copy_n(bytes.begin(), std::min(bytes.size(), cells_.size()), cells_.begin());
}

std::size_t EepromUnit::addressed() const {
  const std::uint8_t* data = core_.avr()->data;
  return static_cast<std::size_t>(data[io_.r_eearl] | (data[io_.r_eearh] << 8)) % cells_.size();
}

void EepromUnit::write_control(avr_io_addr_t address, std::uint8_t value) {
  avr_t* avr = core_.avr();
  std::uint8_t& cell = avr->data[address];
  const bool armed = (cell & kArm) != 0;
  const unsigned mode = programming_ ? cell & kMode : value & kMode;
  cell = static_cast<std::uint8_t>(mode | (value & kReadyInterrupt) | (cell & (kArm | kProgram)));
  if ((value & kProgram) != 0 && armed && !programming_) {
    program(mode >> 4U);
  } else if ((value & kArm) != 0 && (value & kProgram) == 0) {
    cell |= kArm;
    appoint<&EepromUnit::on_armed_end>(avr, core_.now() + kArmedCycles + 2, this);
  }
  if ((value & kRead) != 0 && !programming_) {
    avr->data[io_.r_eedr] = cells_[addressed()];
    avr->cycle += 4;  // the CPU is halted
    avr->run_cycle_count = 1;
  }
  if ((value & kReadyInterrupt) == 0) {
    withdraw_interrupt(avr, io_.ready);
  }
  ask_if_ready();
}

void EepromUnit::program(unsigned mode) {
  avr_t* avr = core_.avr();
  std::uint8_t& target = cells_[addressed()];
  const std::uint8_t value = avr->data[io_.r_eedr];
  if (mode == 0) {
    target = value;
  } else if (mode == 1) {
    target = 0xFF;
  } else {
    target &= value;  // writing alone can only clear bits
  }
  ++writes_;
  ++cell_writes_[addressed()];
  programming_ = true;
  std::uint8_t& cell = avr->data[io_.r_eecr];
  cell = static_cast<std::uint8_t>((cell & ~kArm) | kProgram);
  withdraw_interrupt(avr, io_.ready);
  call_off<&EepromUnit::on_armed_end>(avr, this);
  const Cycle took_us = mode == 0 ? kBothUs : kOneUs;
  appoint<&EepromUnit::on_programmed>(avr, core_.now() + static_cast<Cycle>(avr->frequency) * took_us / 1'000'000,
                                      this);
  avr->cycle += 2;  // the CPU is halted
  avr->run_cycle_count = 1;
}

void EepromUnit::on_armed_end(Cycle /*when*/) {
  core_.avr()->data[io_.r_eecr] &= static_cast<std::uint8_t>(~kArm);
}

void EepromUnit::on_programmed(Cycle /*when*/) {
  programming_ = false;
  core_.avr()->data[io_.r_eecr] &= static_cast<std::uint8_t>(~kProgram);
  ask_if_ready();
}

void EepromUnit::ask_if_ready() {
  avr_t* avr = core_.avr();
  if (!programming_ && bit_of(avr, io_.ready.enable) && io_.ready.pending == 0) {
    core_.raise(io_.ready);
  }
}

void EepromUnit::interrupt_entered() {
  ask_if_ready();
}

}  // namespace dawnrig::device
