#include "harness/device/uart_line_internal.h"

namespace dawnrig::device {

UartLine::UartLine(SimulatorCore& core, Surroundings& listener, avr_uart_t& io)
    : core_(core), listener_(listener), io_(io) {
  avr_t* avr = core.avr();
  own_write<&UartLine::write_data>(avr, io.r_udr, this);
  own_read<&UartLine::read_data>(avr, io.r_udr, this);
  own_write<&UartLine::write_status>(avr, io.r_ucsra, this);
  own_write<&UartLine::write_control>(avr, io.r_ucsrb, this);
  // Plain cells: the flags are put there, the format is looked up there. The simulator's own handlers go.
  avr->io[AVR_DATA_TO_IO(io.r_ucsra)].r = {};
  avr->io[AVR_DATA_TO_IO(io.ubrrl.reg)].w = {};
  io.rxc.raise_sticky = 1;
  io.udrc.raise_sticky = 1;
  core.tell_of_interrupts(*this, io_.rxc);
  core.tell_of_interrupts(*this, io_.udrc);
}

void UartLine::reset() {
  sending_ = false;
  waiting_ = false;
  on_the_wire_.clear();
  arriving_ = false;
  received_count_ = 0;
  shift_full_ = false;
  lost_before_shift_ = false;
  avr_t* avr = core_.avr();
  avr->data[io_.r_ucsra] = 0x20;  // the transmit buffer is empty
  avr->data[io_.r_ucsrc] = 0x06;  // eight data bits
}

Cycle UartLine::frame_cycles() const {
  const std::uint8_t* data = core_.avr()->data;
  const Cycle divider = (data[io_.ubrrl.reg] | ((data[io_.ubrrh.reg] & 0x0F) << 8)) + 1;
  const Cycle bit = divider * (bit_of(core_.avr(), io_.u2x) ? 8 : 16);
  const std::uint8_t format = data[io_.r_ucsrc];
  const bool nine = bit_of(core_.avr(), io_.ucsz2);
  const Cycle data_bits = nine ? 9 : 5 + ((format >> 1) & 3);
  const Cycle parity = (format & 0x20) != 0 ? 1 : 0;
  const Cycle stops = (format & 0x08) != 0 ? 2 : 1;
  return bit * (1 + data_bits + parity + stops);
}

void UartLine::begin_sending(Cycle at, std::uint8_t byte) {
  sending_ = true;
  leaving_ = byte;
  appoint<&UartLine::on_sent>(core_.avr(), at + frame_cycles(), this);
}

void UartLine::write_data(avr_io_addr_t /*address*/, std::uint8_t value) {
  avr_t* avr = core_.avr();
  if (!bit_of(avr, io_.txen)) {
    return;
  }
  if (!sending_) {
    begin_sending(core_.now(), value);  // straight into the shift register; the buffer stays empty
  } else if (!waiting_) {
    waiting_ = true;
    next_out_ = value;
    put_bit(avr, io_.udrc.raised, false);
    withdraw_interrupt(avr, io_.udrc);
  }
}

void UartLine::on_sent(Cycle when) {
  avr_t* avr = core_.avr();
  sending_ = false;
  if (number() == 0) {
    listener_.on_serial_byte(when, leaving_);
  } else {
    listener_.on_other_serial_byte(when, number(), leaving_);
  }
  if (waiting_) {
    waiting_ = false;
    begin_sending(when, next_out_);
    put_bit(avr, io_.udrc.raised, true);
    core_.ask_if_flagged(io_.udrc);
  } else {
    core_.raise(io_.txc);
  }
}

void UartLine::send(std::span<const std::uint8_t> bytes) {
  on_the_wire_.insert(on_the_wire_.end(), bytes.begin(), bytes.end());
  if (!arriving_ && !on_the_wire_.empty()) {
    begin_arriving(core_.now());
  }
}

void UartLine::begin_arriving(Cycle at) {
  arriving_ = true;
  if (shift_full_ && bit_of(core_.avr(), io_.rxen)) {
    // A start bit while two bytes are buffered and a third waits in the shift register: the third is lost.
    shift_full_ = false;
    lost_before_shift_ = true;
    ++overruns_;
  }
  appoint<&UartLine::on_arrived>(core_.avr(), at + frame_cycles(), this);
}

void UartLine::on_arrived(Cycle when) {
  arriving_ = false;
  const std::uint8_t byte = on_the_wire_.front();
  on_the_wire_.pop_front();
  if (bit_of(core_.avr(), io_.rxen)) {
    shift_full_ = true;
    shift_ = byte;
    take_from_shift_register();
    show_flags();
  }
  if (!on_the_wire_.empty()) {
    begin_arriving(when);
  }
}

void UartLine::take_from_shift_register() {
  if (shift_full_ && received_count_ < received_.size()) {
    received_[received_count_] = shift_;
    after_loss_[received_count_] = lost_before_shift_;
    ++received_count_;
    shift_full_ = false;
    lost_before_shift_ = false;
  }
}

void UartLine::show_flags() {
  avr_t* avr = core_.avr();
  const bool any = received_count_ > 0;
  put_bit(avr, io_.rxc.raised, any);
  put_bit(avr, io_.dor, any && after_loss_[0]);
  if (any) {
    core_.ask_if_flagged(io_.rxc);
  } else {
    withdraw_interrupt(avr, io_.rxc);
  }
}

std::uint8_t UartLine::read_data(avr_io_addr_t /*address*/) {
  if (received_count_ == 0) {
    return 0;
  }
  const std::uint8_t byte = received_[0];
  received_[0] = received_[1];
  after_loss_[0] = after_loss_[1];
  --received_count_;
  take_from_shift_register();
  show_flags();
  return byte;
}

void UartLine::write_status(avr_io_addr_t address, std::uint8_t value) {
  avr_t* avr = core_.avr();
  std::uint8_t& cell = avr->data[address];
  constexpr unsigned kWritable = 0x03;  // double speed, multi-processor
  constexpr unsigned kSent = 0x40;      // cleared by writing a one
  unsigned kept = cell & ~kWritable;
  if ((value & kSent) != 0) {
    kept &= ~kSent;
    withdraw_interrupt(avr, io_.txc);
  }
  cell = static_cast<std::uint8_t>(kept | (value & kWritable));
}

void UartLine::write_control(avr_io_addr_t address, std::uint8_t value) {
  avr_t* avr = core_.avr();
  avr->data[address] = value;
  if (!bit_of(avr, io_.rxen)) {
    received_count_ = 0;  // switching the receiver off flushes it
    shift_full_ = false;
    lost_before_shift_ = false;
    show_flags();
  }
  core_.ask_if_flagged(io_.rxc);
  core_.ask_if_flagged(io_.udrc);
  core_.ask_if_flagged(io_.txc);
}

void UartLine::interrupt_entered() {
  core_.ask_if_flagged(io_.rxc);
  core_.ask_if_flagged(io_.udrc);
}

}  // namespace dawnrig::device
