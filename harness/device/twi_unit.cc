#include "harness/device/twi_unit_internal.h"

namespace dawnrig::device {
namespace {

constexpr unsigned kFlag = 0x80;
constexpr unsigned kAcknowledge = 0x40;
constexpr unsigned kStartBit = 0x20;
constexpr unsigned kStopBit = 0x10;
constexpr unsigned kEnabled = 0x04;

constexpr unsigned kIdle = 0xF8;
constexpr unsigned kStarted = 0x08;
constexpr unsigned kRestarted = 0x10;
constexpr unsigned kWriteAddressRefused = 0x20;
constexpr unsigned kByteRefused = 0x30;
constexpr unsigned kReadAddressRefused = 0x48;
constexpr unsigned kReadAcknowledged = 0x50;
constexpr unsigned kReadRefused = 0x58;

}  // namespace

TwiUnit::TwiUnit(SimulatorCore& core) : core_(core), io_(*next_module<avr_twi_t>(core.avr(), "twi")) {
  avr_t* avr = core.avr();
  own_write<&TwiUnit::write_control>(avr, io_.r_twcr, this);
  own_write<&TwiUnit::write_status>(avr, io_.r_twsr, this);
  avr->io[AVR_DATA_TO_IO(io_.r_twdr)].w = {};
  avr->io[AVR_DATA_TO_IO(io_.r_twdr)].r = {};
  core.tell_of_interrupts(*this, io_.twi);
}

void TwiUnit::reset() {
  doing_ = Doing::kNothing;
  owns_bus_ = false;
  addressed_ = false;
  std::uint8_t* data = core_.avr()->data;
  data[io_.r_twsr] = kIdle;
  data[io_.r_twdr] = 0xFF;
  data[io_.r_twar] = 0xFE;
}

Cycle TwiUnit::clock_cycles() const {
  const std::uint8_t* data = core_.avr()->data;
  return 16 + ((Cycle{2} * data[io_.r_twbr]) << (2 * (data[io_.r_twsr] & 3)));
}

void TwiUnit::write_status(avr_io_addr_t address, std::uint8_t value) {
  std::uint8_t& cell = core_.avr()->data[address];
  cell = static_cast<std::uint8_t>((cell & 0xF8) | (value & 3));
}

void TwiUnit::write_control(avr_io_addr_t address, std::uint8_t value) {
  avr_t* avr = core_.avr();
  std::uint8_t& cell = avr->data[address];
  const bool go = (value & kFlag) != 0;
  const unsigned flag = go ? 0U : cell & kFlag;
  cell = static_cast<std::uint8_t>((value & 0x75U) | flag);
  if (go) {
    withdraw_interrupt(avr, io_.twi);
  }
  if ((value & kEnabled) == 0) {
    call_off<&TwiUnit::on_done>(avr, this);
    doing_ = Doing::kNothing;
    owns_bus_ = false;
    cell &= static_cast<std::uint8_t>(~(kStartBit | kStopBit));
    avr->data[io_.r_twsr] = static_cast<std::uint8_t>(kIdle | (avr->data[io_.r_twsr] & 3));
  } else if (go && doing_ == Doing::kNothing) {
    begin(value);
  }
  core_.ask_if_flagged(io_.twi);
}

void TwiUnit::begin(unsigned command) {
  Cycle clocks = 9;  // eight bits and the acknowledge
  if ((command & kStopBit) != 0) {
    doing_ = Doing::kStop;
    clocks = 1;
  } else if ((command & kStartBit) != 0) {
    doing_ = Doing::kStart;
    clocks = 1;
  } else if (!owns_bus_) {
    return;
  } else if (!addressed_) {
    doing_ = Doing::kAddress;
  } else {
    doing_ = reading_ ? Doing::kReceive : Doing::kSend;
  }
  appoint<&TwiUnit::on_done>(core_.avr(), core_.now() + clocks * clock_cycles(), this);
}

void TwiUnit::report(unsigned status) {
  avr_t* avr = core_.avr();
  avr->data[io_.r_twsr] = static_cast<std::uint8_t>(status | (avr->data[io_.r_twsr] & 3));
  core_.raise(io_.twi);
}

void TwiUnit::on_done(Cycle when) {
  avr_t* avr = core_.avr();
  std::uint8_t* data = avr->data;
  const Doing done = doing_;
  doing_ = Doing::kNothing;
  switch (done) {
    case Doing::kStop:
      owns_bus_ = false;
      addressed_ = false;
      data[io_.r_twcr] &= static_cast<std::uint8_t>(~kStopBit);
      data[io_.r_twsr] = static_cast<std::uint8_t>(kIdle | (data[io_.r_twsr] & 3));
      if ((data[io_.r_twcr] & kStartBit) != 0) {
        doing_ = Doing::kStart;
        appoint<&TwiUnit::on_done>(avr, when + clock_cycles(), this);
      }
      break;
    case Doing::kStart: {
      const unsigned status = owns_bus_ ? kRestarted : kStarted;
      owns_bus_ = true;
      addressed_ = false;
      report(status);
      break;
    }
    case Doing::kAddress:
      addressed_ = true;
      reading_ = (data[io_.r_twdr] & 1) != 0;
      report(reading_ ? kReadAddressRefused : kWriteAddressRefused);
      break;
    case Doing::kSend:
      report(kByteRefused);
      break;
    case Doing::kReceive:
      data[io_.r_twdr] = 0xFF;  // nobody pulls the line down
      report((data[io_.r_twcr] & kAcknowledge) != 0 ? kReadAcknowledged : kReadRefused);
      break;
    case Doing::kNothing:
      break;
  }
}

void TwiUnit::interrupt_entered() {
  core_.ask_if_flagged(io_.twi);
}

}  // namespace dawnrig::device
