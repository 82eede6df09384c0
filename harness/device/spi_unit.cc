#include "harness/device/spi_unit_internal.h"

namespace dawnrig::device {
namespace {

constexpr unsigned kFinished = 0x80;
constexpr unsigned kCollision = 0x40;
constexpr unsigned kDoubleSpeed = 0x01;

}  // namespace

SpiUnit::SpiUnit(SimulatorCore& core, Surroundings& surroundings)
    : core_(core), surroundings_(surroundings), io_(*next_module<avr_spi_t>(core.avr(), "spi")) {
  avr_t* avr = core.avr();
  own_write<&SpiUnit::write_data>(avr, io_.r_spdr, this);
  own_read<&SpiUnit::read_data>(avr, io_.r_spdr, this);
  own_write<&SpiUnit::write_control>(avr, io_.r_spcr, this);
  own_write<&SpiUnit::write_status>(avr, io_.r_spsr, this);
  own_read<&SpiUnit::read_status>(avr, io_.r_spsr, this);
  core.vouch_for(io_.r_spsr, *this);  // that a flag was seen is remembered, but once seen is seen
}

void SpiUnit::reset() {
  shifting_ = false;
  flag_seen_ = false;
  in_ = 0;
}

Cycle SpiUnit::clock_cycles() const {
  static constexpr Cycle kDividers[4] = {4, 16, 64, 128};
  const std::uint8_t* data = core_.avr()->data;
  const Cycle divider = kDividers[data[io_.r_spcr] & 3];
  return (data[io_.r_spsr] & kDoubleSpeed) != 0 ? divider / 2 : divider;
}

void SpiUnit::access_data() {
  if (flag_seen_) {
    flag_seen_ = false;
    core_.avr()->data[io_.r_spsr] &= static_cast<std::uint8_t>(~(kFinished | kCollision));
    withdraw_interrupt(core_.avr(), io_.spi);
  }
}

void SpiUnit::write_data(avr_io_addr_t /*address*/, std::uint8_t value) {
  avr_t* avr = core_.avr();
  access_data();
  if (shifting_) {
    avr->data[io_.r_spsr] |= kCollision;
    return;
  }
  if (bit_of(avr, io_.spe) && bit_of(avr, io_.mstr)) {
    shifting_ = true;
    out_ = value;
    appoint<&SpiUnit::on_shifted>(avr, core_.now() + 8 * clock_cycles(), this);
  }
}

std::uint8_t SpiUnit::read_data(avr_io_addr_t /*address*/) {
  access_data();
  return in_;
}

void SpiUnit::write_control(avr_io_addr_t address, std::uint8_t value) {
  avr_t* avr = core_.avr();
  avr->data[address] = value;
  if (!bit_of(avr, io_.spe) && shifting_) {
    shifting_ = false;
    call_off<&SpiUnit::on_shifted>(avr, this);
  }
  core_.ask_if_flagged(io_.spi);
}

void SpiUnit::write_status(avr_io_addr_t address, std::uint8_t value) {
  std::uint8_t& cell = core_.avr()->data[address];
  cell = static_cast<std::uint8_t>((cell & ~kDoubleSpeed) | (value & kDoubleSpeed));
}

std::uint8_t SpiUnit::read_status(avr_io_addr_t address) {
  const std::uint8_t value = core_.avr()->data[address];
  flag_seen_ = flag_seen_ || (value & (kFinished | kCollision)) != 0;
  return value;
}

void SpiUnit::on_shifted(Cycle when) {
  shifting_ = false;
  in_ = surroundings_.on_spi_byte(when, out_);
  core_.raise(io_.spi);
}

}  // namespace dawnrig::device
