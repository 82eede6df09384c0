// The register side of a timer: what firmware writes and reads.
#include "harness/device/timer_unit_internal.h"

namespace dawnrig::device {
namespace {

constexpr std::int64_t kWatchCrystalHz = 32768;
constexpr avr_io_addr_t kSmcr = 0x53;

Pin pin_at(avr_t* avr, avr_regbit_t bit) {
  for (auto* port = next_module<avr_ioport_t>(avr, "port"); port != nullptr;
       port = next_module<avr_ioport_t>(avr, "port", &port->io)) {
    if (port->r_port == bit.reg) {
      return Pin{port->name, static_cast<int>(bit.bit)};
    }
  }
  return Pin{'?', 0};
}

std::uint8_t low_byte(std::int64_t word) {
  return static_cast<std::uint8_t>(word & 0xFF);
}
std::uint8_t high_byte(std::int64_t word) {
  return static_cast<std::uint8_t>((word >> 8) & 0xFF);
}

unsigned field_of(const avr_t* avr, const avr_regbit_t* bits, int count) {
  unsigned value = 0;
  for (int i = 0; i < count; ++i) {
    value |= bit_of(avr, bits[i]) ? 1U << i : 0U;
  }
  return value;
}

}  // namespace

TimerUnit::TimerUnit(SimulatorCore& core, PinBank& pins, TimerClocks& clocks, avr_timer_t& io)
    : core_(core), pins_(pins), clocks_(clocks), io_(io), is_16_bit_(io.r_tcnth != 0) {
  clock_.prescaler = io.as2.reg != 0 ? &clocks.second : &clocks.io;
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    if (io.comp[i].r_ocr != 0) {
      channels_[i].io = &io.comp[i];
      channels_[i].has_pin = io.comp[i].com_pin.reg != 0;
      channels_[i].pin = pin_at(core.avr(), io.comp[i].com_pin);
    }
  }
  take_registers();
  listen_to_pins();
}

void TimerUnit::take_registers() {
  avr_t* avr = core_.avr();
  const avr_io_addr_t control_b = io_.cs[0].reg;
  own_write<&TimerUnit::write_control>(avr, io_.wgm[0].reg, this);
  own_write<&TimerUnit::write_control>(avr, control_b, this);
  own_write<&TimerUnit::write_tcnt>(avr, io_.r_tcnt, this);
  own_read<&TimerUnit::read_tcnt>(avr, io_.r_tcnt, this);
  core_.vouch_for(io_.r_tcnt, *this);
  own_write<&TimerUnit::write_flags>(avr, io_.overflow.raised.reg, this);
  own_read<&TimerUnit::read_flags>(avr, io_.overflow.raised.reg, this);
  core_.vouch_for(io_.overflow.raised.reg, *this);
  own_write<&TimerUnit::write_mask>(avr, io_.overflow.enable.reg, this);
  for (const Channel& channel : channels_) {
    if (channel.io != nullptr) {
      own_write<&TimerUnit::write_ocr>(avr, channel.io->r_ocr, this);
      if (channel.io->r_ocrh != 0) {
        own_write<&TimerUnit::write_high>(avr, channel.io->r_ocrh, this);
      }
    }
  }
  if (is_16_bit_) {
    own_write<&TimerUnit::write_force>(avr, static_cast<avr_io_addr_t>(control_b + 1), this);
    own_write<&TimerUnit::write_high>(avr, io_.r_tcnth, this);
    own_read<&TimerUnit::read_high>(avr, io_.r_tcnth, this);
    own_write<&TimerUnit::write_icr>(avr, io_.r_icr, this);
    own_read<&TimerUnit::read_icr>(avr, io_.r_icr, this);
    own_write<&TimerUnit::write_high>(avr, io_.r_icrh, this);
    own_read<&TimerUnit::read_high>(avr, io_.r_icrh, this);
  }
  if (io_.as2.reg != 0) {
    own_write<&TimerUnit::write_async>(avr, io_.as2.reg, this);
  }
}

void TimerUnit::listen_to_pins() {
  avr_t* avr = core_.avr();
  if (io_.icp.reg != 0) {
    if (avr_irq_t* line = pins_.line_of(pin_at(avr, io_.icp)); line != nullptr) {
      avr_unconnect_irq(line, io_.io.irq + TIMER_IRQ_IN_ICP);  // the simulator's own capture would answer as well
      avr_irq_register_notify(line, &TimerUnit::on_capture_line, this);
    }
  }
  if (io_.ext_clock_pin.reg != 0) {
    if (avr_irq_t* line = pins_.line_of(pin_at(avr, io_.ext_clock_pin)); line != nullptr) {
      avr_irq_register_notify(line, &TimerUnit::on_clock_line, this);
    }
  }
}

void TimerUnit::reset() {
  for (Channel& channel : channels_) {
    channel.connected = false;
    channel.on_match = Action::kNone;
    channel.latch = false;
    channel.buffer = 0;
    channel.active = 0;
  }
  Prescaler& prescaler = *clock_.prescaler;
  prescaler.held = false;
  prescaler.restart(core_.now());
  clock_ = TimerClock{};
  clock_.prescaler = &prescaler;
  mode_ = wave_mode(is_16_bit_, 0);
  done_tick_ = 0;
  outside_ticks_ = 0;
  blocked_tick_ = -1;
  appointed_ = false;
  due_ = {kUnknown};
  temp_ = 0;
  watched_flag_ = nullptr;
  rebase(0, 0, false);
}

void TimerUnit::io_clock_stopped(bool stopped) {
  const unsigned mode = (core_.avr()->data[kSmcr] >> 1) & 7U;
  constexpr unsigned kPowerDown = 2;
  constexpr unsigned kStandby = 6;
  if (clock_.asynchronous && mode != kPowerDown && mode != kStandby) {
    return;
  }
  settle();
  if (stopped) {
    clock_.prescaler->hold(core_.now());
  } else {
    clock_.prescaler->go_on(core_.now());
  }
  reschedule();
}

void TimerUnit::clock_changed() {
  const std::int64_t value = counter_.value_at(done_tick_);
  const bool down = counter_.counting_down_at(done_tick_);
  done_tick_ = tick_now();
  blocked_tick_ = -1;
  rebase(done_tick_, value, down);
  reschedule();
}

bool TimerUnit::has_flag(const avr_int_vector_t& flag) const {
  const auto* at = reinterpret_cast<const std::uint8_t*>(&flag);
  const auto* begin = reinterpret_cast<const std::uint8_t*>(&io_);
  return at >= begin && at < begin + sizeof io_;
}

void TimerUnit::choose_clock() {
  const avr_t* avr = core_.avr();
  const unsigned select = field_of(avr, io_.cs, 3);
  TimerClock clock;
  clock.prescaler = clock_.prescaler;
  if (select != 0 && io_.cs_div[select] == AVR_TIMER_EXTCLK_CHOOSE) {
    clock.source = TimerClock::Source::kPin;
    clock.rising = (select & 1U) != 0;
  } else if (select != 0) {
    clock.source = TimerClock::Source::kPrescaler;
    clock.cycles = std::int64_t{1} << io_.cs_div[select];
    if (bit_of(avr, io_.as2)) {
      clock.cycles *= avr->frequency;
      clock.per_ticks = kWatchCrystalHz;
      clock.asynchronous = true;
    }
  }
  const bool same = clock.source == clock_.source && clock.cycles == clock_.cycles && clock.rising == clock_.rising;
  if (!same) {
    clock_ = clock;
    // Stopping or changing the clock keeps the count; ticks are numbered anew.
    const std::int64_t value = counter_.value_at(done_tick_);
    const bool down = counter_.counting_down_at(done_tick_);
    done_tick_ = tick_now();
    blocked_tick_ = -1;
    rebase(done_tick_, value, down);
  }
}

void TimerUnit::choose_mode() {
  const WaveMode mode = wave_mode(is_16_bit_, field_of(core_.avr(), io_.wgm, 4));
  const bool same = mode.kind == mode_.kind && mode.top_source == mode_.top_source && mode.fixed_top == mode_.fixed_top;
  if (same) {
    return;
  }
  const std::int64_t value = counter_.value_at(done_tick_);
  const bool down = counter_.counting_down_at(done_tick_);
  mode_ = mode;
  if (!mode_.is_pwm()) {
    for (Channel& channel : channels_) {
      channel.active = channel.buffer;
    }
  }
  rebase(done_tick_, value, down);
}

void TimerUnit::choose_outputs() {
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    Channel& channel = channels_[i];
    if (channel.io == nullptr) {
      continue;
    }
    const avr_regbit_t bits = channel.io->com;
    const unsigned com = (core_.avr()->data[bits.reg] >> bits.bit) & bits.mask;
    auto action = static_cast<Action>(com);
    if (action == Action::kToggle && mode_.is_pwm() && !(i == AVR_TIMER_COMPA && mode_.channel_a_toggles)) {
      action = Action::kNone;
    }
    const bool connected = action != Action::kNone;
    const bool changed = connected != channel.connected;
    channel.on_match = action;
    channel.connected = connected;
    if (changed) {
      show_output(channel, core_.now());
    }
  }
}

void TimerUnit::write_control(avr_io_addr_t address, std::uint8_t value) {
  settle();
  const bool strobes = !is_16_bit_ && address == io_.cs[0].reg;
  core_.avr()->data[address] = strobes ? value & 0x3F : value;
  choose_clock();
  choose_mode();
  choose_outputs();
  if (strobes) {
    force_matches(((value & 0x80) != 0 ? 1U : 0U) | ((value & 0x40) != 0 ? 2U : 0U));
  }
  reschedule();
}

void TimerUnit::write_force(avr_io_addr_t address, std::uint8_t value) {
  settle();
  core_.avr()->data[address] = 0;
  force_matches(((value & 0x80) != 0 ? 1U : 0U) | ((value & 0x40) != 0 ? 2U : 0U) | ((value & 0x20) != 0 ? 4U : 0U));
  reschedule();
}

void TimerUnit::force_matches(unsigned channels) {
  if (mode_.is_pwm()) {
    return;
  }
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    if (((channels >> i) & 1U) != 0 && channels_[i].connected) {
      apply_output(channels_[i], Outline{}, true, channels_[i].active, core_.now());
    }
  }
}

std::int64_t TimerUnit::take_word(avr_io_addr_t low, avr_io_addr_t high, std::uint8_t value) const {
  std::uint8_t* data = core_.avr()->data;
  data[low] = value;
  if (high != 0) {
    data[high] = temp_;
  }
  return value | (high != 0 ? temp_ << 8 : 0);
}

std::int64_t TimerUnit::icr() const {
  const std::uint8_t* data = core_.avr()->data;
  return io_.r_icrh == 0 ? 0 : data[io_.r_icr] | (data[io_.r_icrh] << 8);
}

void TimerUnit::write_ocr(avr_io_addr_t address, std::uint8_t value) {
  settle();
  for (Channel& channel : channels_) {
    if (channel.io != nullptr && channel.io->r_ocr == address) {
      channel.buffer = take_word(address, channel.io->r_ocrh, value);
      if (!mode_.is_pwm()) {
        channel.active = channel.buffer;
      }
    }
  }
  if (!mode_.is_pwm() && mode_.top_source == TopSource::kOcra) {
    rebase(done_tick_, counter_.value_at(done_tick_), false);
  }
  reschedule();
}

void TimerUnit::write_icr(avr_io_addr_t address, std::uint8_t value) {
  settle();
  take_word(address, io_.r_icrh, value);
  if (mode_.top_source == TopSource::kIcr) {
    rebase(done_tick_, counter_.value_at(done_tick_), counter_.counting_down_at(done_tick_));
  }
  reschedule();
}

void TimerUnit::write_tcnt(avr_io_addr_t address, std::uint8_t value) {
  settle();
  const bool down = counter_.counting_down_at(done_tick_);
  rebase(done_tick_, take_word(address, io_.r_tcnth, value), down);
  blocked_tick_ = done_tick_ + 1;
  reschedule();
}

void TimerUnit::write_high(avr_io_addr_t /*address*/, std::uint8_t value) {
  temp_ = value;
}
std::uint8_t TimerUnit::read_high(avr_io_addr_t /*address*/) {
  return temp_;
}

std::uint8_t TimerUnit::read_tcnt(avr_io_addr_t /*address*/) {
  settle();
  const std::int64_t value = counter_.value_at(done_tick_);
  temp_ = high_byte(value);
  return low_byte(value);
}

std::uint8_t TimerUnit::read_icr(avr_io_addr_t /*address*/) {
  temp_ = high_byte(icr());
  return low_byte(icr());
}

std::uint8_t TimerUnit::read_flags(avr_io_addr_t address) {
  settle();
  return core_.avr()->data[address];
}

void TimerUnit::write_flags(avr_io_addr_t /*address*/, std::uint8_t value) {
  settle();
  avr_t* avr = core_.avr();
  const std::uint8_t cleared = bits_written(avr, value);
  const auto clear = [avr, cleared](avr_int_vector_t& flag) {
    if (flag.raised.reg != 0 && ((cleared >> flag.raised.bit) & 1) != 0) {
      put_bit(avr, flag.raised, false);
      withdraw_interrupt(avr, flag);
    }
  };
  clear(io_.overflow);
  clear(io_.icr);
  for (Channel& channel : channels_) {
    if (channel.io != nullptr) {
      clear(channel.io->interrupt);
    }
  }
  reschedule();
}

void TimerUnit::write_mask(avr_io_addr_t address, std::uint8_t value) {
  settle();
  avr_t* avr = core_.avr();
  avr->data[address] = value;
  core_.ask_if_flagged(io_.overflow);
  core_.ask_if_flagged(io_.icr);
  for (Channel& channel : channels_) {
    if (channel.io != nullptr) {
      core_.ask_if_flagged(channel.io->interrupt);
    }
  }
  reschedule();
}

void TimerUnit::write_async(avr_io_addr_t address, std::uint8_t value) {
  settle();
  core_.avr()->data[address] = value & 0x60;  // the update-busy bits never show: registers are taken at once
  choose_clock();
  reschedule();
}

void TimerUnit::on_capture_line(avr_irq_t* irq, std::uint32_t value, void* param) {
  auto* timer = static_cast<TimerUnit*>(param);
  const bool rising = bit_of(timer->core_.avr(), timer->io_.ices);
  if ((irq->value != 0) != (value != 0) && (value != 0) == rising) {
    timer->capture();
  }
}

void TimerUnit::capture() {
  if (mode_.top_source == TopSource::kIcr) {
    return;  // the register serves as TOP
  }
  settle();
  const std::int64_t value = counter_.value_at(done_tick_);
  core_.avr()->data[io_.r_icr] = low_byte(value);
  core_.avr()->data[io_.r_icrh] = high_byte(value);
  raise(io_.icr);
}

void TimerUnit::on_clock_line(avr_irq_t* irq, std::uint32_t value, void* param) {
  auto* timer = static_cast<TimerUnit*>(param);
  const bool edge = (irq->value != 0) != (value != 0) && (value != 0) == timer->clock_.rising;
  if (edge && timer->clock_.source == TimerClock::Source::kPin) {
    timer->advance_ticks(++timer->outside_ticks_);
  }
}

}  // namespace dawnrig::device
