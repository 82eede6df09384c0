#include "harness/device/timer_unit_internal.h"

#include <algorithm>
#include <limits>
#include <utility>

namespace dawnrig::device {
namespace {

constexpr std::int64_t kNever = std::numeric_limits<std::int64_t>::max();

std::int64_t or_never(std::int64_t tick) {
  return tick < 0 ? kNever : tick;
}

}  // namespace

std::int64_t TimerUnit::tick_now() const {
  switch (clock_.source) {
    case TimerClock::Source::kPrescaler:
      return clock_.tick_at(core_.now());
    case TimerClock::Source::kPin:
      return outside_ticks_;
    case TimerClock::Source::kStopped:
      break;
  }
  return done_tick_;
}

Cycle TimerUnit::cycle_of(std::int64_t tick) const {
  return clock_.source == TimerClock::Source::kPrescaler ? clock_.begin_of(tick) : core_.now();
}

bool TimerUnit::takeover_pending() const {
  return std::any_of(channels_.begin(), channels_.end(),
                     [](const Channel& channel) { return channel.active != channel.buffer; });
}

// Buffered compare values come into force: fast PWM as the counter returns to zero, phase correct as it leaves TOP,
// phase and frequency correct as it leaves BOTTOM.
std::int64_t TimerUnit::takeover_phase() const {
  switch (mode_.kind) {
    case WaveKind::kPhaseCorrect:
      return counter_.top() + 1;
    case WaveKind::kPhaseFrequencyCorrect:
      return 1;
    default:
      return 0;
  }
}

std::int64_t TimerUnit::top_from_registers() const {
  switch (mode_.top_source) {
    case TopSource::kOcra:
      return channels_[AVR_TIMER_COMPA].active;
    case TopSource::kIcr:
      return icr();
    case TopSource::kFixed:
      break;
  }
  return mode_.fixed_top;
}

void TimerUnit::rebase(std::int64_t tick, std::int64_t value, bool down) {
  counter_.restart(tick, value, down, mode_.dual_slope(), top_from_registers(), is_16_bit_ ? 0xFFFF : 0xFF);
}

// A match shows one tick after the counter stood at the compare value: flag and output change as it leaves.
std::int64_t TimerUnit::next_match(const Channel& channel, std::int64_t after) const {
  const std::int64_t from = std::max(after, blocked_tick_);
  const std::int64_t value = channel.active;
  const std::int64_t top = counter_.top();
  std::int64_t next = or_never(counter_.lead_leaves(value, from));
  if (value > top) {
    return next;
  }
  if (!counter_.dual_slope()) {
    // Coming home from beyond TOP is no match with TOP.
    const std::int64_t start = value == top ? std::max(from, counter_.lead_wrap_tick()) : from;
    return std::min(next, counter_.next_at_phase(value + 1, start));
  }
  next = std::min(next, counter_.next_at_phase(value + 1, from));
  if (value > 0 && value < top) {
    next = std::min(next, counter_.next_at_phase(2 * top - value + 1, from));
  }
  return next;
}

bool TimerUnit::stands(const avr_int_vector_t& flag) const {
  return bit_of(core_.avr(), flag.raised);
}

std::int64_t TimerUnit::next_overflow(std::int64_t after) const {
  if (mode_.dual_slope()) {
    return counter_.next_at_phase(1, after);
  }
  const std::int64_t max = is_16_bit_ ? 0xFFFF : 0xFF;
  if (mode_.kind == WaveKind::kFast || counter_.top() == max) {
    return counter_.next_at_phase(0, after);
  }
  return counter_.lead_wrap_tick() > after ? counter_.lead_wrap_tick() : kNever;
}

std::int64_t TimerUnit::next_output(const Channel& channel, std::int64_t after) const {
  if (!channel.connected) {
    return kNever;
  }
  if (channel.on_match == Action::kToggle) {
    return next_match(channel, after);
  }
  const bool inverting = channel.on_match == Action::kSet;
  const bool high = channel.latch != inverting;  // as a non-inverting output would stand
  const std::int64_t value = channel.active;
  const std::int64_t top = counter_.top();
  if (!mode_.is_pwm()) {
    return high ? next_match(channel, after) : kNever;
  }
  if (!mode_.dual_slope()) {
    if (!high) {
      return counter_.next_at_phase(0, after);
    }
    return value < top ? next_match(channel, after) : kNever;
  }
  const bool buffered_at_bottom = mode_.kind == WaveKind::kPhaseFrequencyCorrect;
  std::int64_t next = kNever;
  if (high && value < top) {
    next = std::min(counter_.next_at_phase(value + 1, std::max(after, blocked_tick_)),
                    counter_.next_at_phase(top + 1, after));
  } else if (!high && value > 0) {
    next = counter_.next_at_phase(2 * top - std::min(value, top) + 1, std::max(after, blocked_tick_));
    if (buffered_at_bottom) {
      next = std::min(next, counter_.next_at_phase(1, after));
    }
  } else if (high && value == 0 && buffered_at_bottom) {
    next = counter_.next_at_phase(1, after);
  }
  return next;
}

void TimerUnit::Due::add(std::int64_t tick, bool seen, avr_int_vector_t* periodic) {
  if (tick < any) {
    any_other = any;
    visible_other = visible;
    alone = seen ? periodic : nullptr;
  } else {
    alone = tick == any ? nullptr : alone;
    any_other = std::min(any_other, tick);
    visible_other = seen ? std::min(visible_other, tick) : visible_other;
  }
  any = std::min(any, tick);
  visible = seen ? std::min(visible, tick) : visible;
}

void TimerUnit::Due::after_alone(std::int64_t next) {
  alone = next < any_other ? alone : nullptr;
  any = std::min(next, any_other);
  visible = std::min(next, visible_other);
}

TimerUnit::Due TimerUnit::next_events(std::int64_t after) const {
  const avr_t* const avr = core_.avr();
  Due due;
  const bool in_step = !mode_.is_pwm() && counter_.on_pattern(after);
  const auto waited_for = [this, avr](const avr_int_vector_t& flag) {
    return bit_of(avr, flag.enable) || &flag == watched_flag_;
  };
  const auto still_rises = [this](const avr_int_vector_t& flag) { return !stands(flag); };
  if (mode_.is_pwm() && takeover_pending()) {
    due.add(counter_.next_at_phase(takeover_phase(), after), true);
  }
  if (const bool visible = waited_for(io_.overflow); visible || still_rises(io_.overflow)) {
    due.add(next_overflow(after), visible);
  }
  if (mode_.top_source == TopSource::kIcr) {
    if (const bool visible = waited_for(io_.icr); visible || still_rises(io_.icr)) {
      due.add(counter_.next_at_phase(counter_.top() + 1, std::max(after, counter_.lead_wrap_tick())), visible);
    }
  }
  for (const Channel& channel : channels_) {
    if (channel.io == nullptr) {
      continue;
    }
    const avr_int_vector_t& flag = channel.io->interrupt;
    if (const bool visible = waited_for(flag); visible || still_rises(flag)) {
      due.add(next_match(channel, after), visible, in_step && !channel.connected ? &channel.io->interrupt : nullptr);
    }
    if (channel.connected) {
      due.add(next_output(channel, after), true);
    }
  }
  return due;
}

void TimerUnit::raise(avr_int_vector_t& flag) {
  if (!stands(flag)) {
    core_.raise(flag);
  }
}

int TimerUnit::unit_id(const Channel& channel) const {
  return io_.name * 4 + static_cast<int>(&channel - channels_.data());
}

void TimerUnit::show_output(const Channel& channel, Cycle at) {
  if (channel.has_pin) {
    pins_.take_over(at, channel.pin, unit_id(channel), channel.connected, channel.latch);
  }
}

void TimerUnit::set_output(Channel& channel, bool level, Cycle at) {
  if (channel.latch != level) {
    channel.latch = level;
    show_output(channel, at);
  }
}

// Called with the counter's pattern and the compare values as they were before this tick.
void TimerUnit::apply(std::int64_t tick) {
  const std::int64_t period = counter_.period_ticks();
  const std::int64_t top = counter_.top();
  const std::int64_t phase = counter_.on_pattern(tick) ? counter_.phase_at(tick) : -1;
  // A flag that stands already need not be worked out.
  const bool left_top = mode_.top_source == TopSource::kIcr && !stands(io_.icr) && phase == (top + 1) % period &&
                        tick != counter_.lead_wrap_tick();
  const bool overflows = !stands(io_.overflow) && next_overflow(tick - 1) == tick;
  std::array<bool, AVR_TIMER_COMP_COUNT> matched{};
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    const Channel& channel = channels_[i];
    matched[i] = channel.io != nullptr && (channel.connected || !stands(channel.io->interrupt)) &&
                 next_match(channel, tick - 1) == tick;
  }
  const Cycle at = cycle_of(tick);
  const Outline outline{phase, period, top, tick == blocked_tick_};
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    Channel& channel = channels_[i];
    const std::int64_t compared = channel.active;
    if (mode_.is_pwm() && phase == takeover_phase() % period) {
      channel.active = channel.buffer;
    }
    if (channel.connected) {
      apply_output(channel, outline, matched[i], compared, at);
    }
  }
  if (mode_.is_pwm() && top_from_registers() != top) {
    rebase(tick, counter_.value_at(tick), counter_.counting_down_at(tick));
  }
  if (overflows) {
    raise(io_.overflow);
  }
  if (left_top) {
    raise(io_.icr);
  }
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    if (matched[i]) {
      raise(channels_[i].io->interrupt);
    }
  }
}

void TimerUnit::apply_output(Channel& channel, const Outline& outline, bool matched, std::int64_t compared, Cycle at) {
  if (channel.on_match == Action::kToggle) {
    if (matched) {
      set_output(channel, !channel.latch, at);
    }
    return;
  }
  const bool inverting = channel.on_match == Action::kSet;
  bool high = channel.latch != inverting;
  const auto [phase, period, top, blocked] = outline;
  if (!mode_.is_pwm()) {
    high = high && !matched;
  } else if (!mode_.dual_slope()) {
    high = phase == 0 || (high && !matched);
  } else {
    if (!blocked && compared < top && phase == (compared + 1) % period) {
      high = false;
    }
    if (!blocked && compared > 0 && phase == (2 * top - std::min(compared, top) + 1) % period) {
      high = true;
    }
    // A compare value that came into force at a turning point puts the output where symmetry wants it.
    if (phase == (top + 1) % period) {
      high = channel.active >= top;
    }
    if (mode_.kind == WaveKind::kPhaseFrequencyCorrect && phase == 1 % period) {
      high = channel.active > 0;
    }
  }
  set_output(channel, high != inverting, at);
}

void TimerUnit::know_due() {
  if (due_.any == kUnknown) {
    due_ = next_events(done_tick_);
  }
}

void TimerUnit::advance_ticks(std::int64_t to_tick) {
  while (done_tick_ < to_tick) {
    know_due();
    if (due_.any > to_tick) {
      break;
    }
    if (due_.alone != nullptr) {
      pass_alone();
    } else {
      const std::int64_t tick = std::exchange(due_.any, kUnknown);
      apply(tick);
      done_tick_ = tick;
    }
  }
  done_tick_ = std::max(done_tick_, to_tick);
}

void TimerUnit::advance(Cycle to) {
  if (clock_.source == TimerClock::Source::kPrescaler) {
    advance_ticks(clock_.tick_at(to));
  }
}

// Flags that nobody waits for by interrupt rise without an appointment, so whoever reads them has to know when.
Cycle TimerUnit::reads_same_until(avr_io_addr_t address) {
  settle();
  if (clock_.source != TimerClock::Source::kPrescaler || clock_.prescaler->held) {
    return kNever;
  }
  if (address == io_.r_tcnt) {
    return clock_.begin_of(done_tick_ + 1);
  }
  know_due();
  return due_.any == kNever ? kNever : clock_.begin_of(due_.any);
}

std::optional<std::uint8_t> TimerUnit::count_at(avr_io_addr_t address, Cycle at) const {
  if (address != io_.r_tcnt) {
    return std::nullopt;
  }
  const bool runs = clock_.source == TimerClock::Source::kPrescaler;
  return static_cast<std::uint8_t>(counter_.value_at(runs ? clock_.tick_at(at) : tick_now()) & 0xFF);
}

void TimerUnit::set_flag_watched(const avr_int_vector_t* flag) {
  if (flag == watched_flag_) return;
  settle();
  watched_flag_ = flag;
  reschedule();
}

Cycle TimerUnit::next_edge() const {
  std::int64_t next = kNever;
  if (clock_.source == TimerClock::Source::kPrescaler && !clock_.prescaler->held) {
    for (const Channel& channel : channels_) {
      if (channel.connected) next = std::min(next, next_output(channel, done_tick_));
    }
  }
  return next == kNever ? kNever : clock_.begin_of(next);
}

void TimerUnit::on_appointment(Cycle when) {
  appointed_ = false;
  // Mostly what comes is what the appointment was made for.
  const bool foreseen = due_.alone != nullptr && due_.any != kUnknown && clock_.begin_of(due_.any) == when;
  foreseen ? pass_alone() : advance(when);
  appoint_next();
}

void TimerUnit::pass_alone() {
  done_tick_ = due_.any;
  raise(*due_.alone);
  due_.after_alone(done_tick_ + counter_.period_ticks());
}

void TimerUnit::reschedule() {
  due_.any = kUnknown;
  appoint_next();
}

void TimerUnit::appoint_next() {
  std::int64_t visible = kNever;
  if (clock_.source == TimerClock::Source::kPrescaler && !clock_.prescaler->held) {
    know_due();
    visible = due_.visible;
  }
  if (visible != kNever) {
    const Cycle at = clock_.begin_of(visible);
    if (appointed_) {
      appoint<&TimerUnit::on_appointment>(core_.avr(), at, this);
    } else {
      appoint_anew<&TimerUnit::on_appointment>(core_.avr(), at, this);
    }
    appointed_ = true;
  } else if (appointed_) {
    call_off<&TimerUnit::on_appointment>(core_.avr(), this);
    appointed_ = false;
  }
}

}  // namespace dawnrig::device
