// The processor's sleep, and the interrupts that end it.
#include <algorithm>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

constexpr avr_cycle_count_t kToWake = 4;  // added to the interrupt response

}  // namespace

void SimulatorCore::tell_of_interrupts(Peripheral& peripheral, const avr_int_vector_t& vector, bool flagged) {
  const auto mask = [](const avr_regbit_t& bit) { return static_cast<std::uint8_t>(bit.mask << bit.bit); };
  if (vector.enable.reg != 0) {
    const avr_regbit_t& second = flagged ? vector.raised : vector.enable;
    const std::size_t entry = std::size_t{vector.vector} * avr_->vector_size / 2U;
    levels_.resize(std::max(levels_.size(), entry + 1));
    levels_[entry] = {&peripheral, &avr_->data[vector.enable.reg], &avr_->data[second.reg], mask(vector.enable),
                      mask(second)};
  }
}

void SimulatorCore::pass_sleep() {
  avr_t* const avr = avr_;
  const auto until = static_cast<avr_cycle_count_t>(until_);
  do {
    const avr_cycle_timer_slot_t* const first = avr->cycle_timers.timer;
    const avr_cycle_count_t next = first != nullptr ? std::min(first->when, until) : until;
    avr->cycle = std::max(avr->cycle, next);
    process_due_events(avr);
  } while (avr->state == cpu_Sleeping && avr->cycle < until && !bitten());
}

bool SimulatorCore::sleeps_on_to(Cycle at) {
  avr_t* const avr = avr_;
  if (!asleep_ || avr->state != cpu_Sleeping || !skipper_ || bitten() || first_event(avr, until_) <= at) {
    return false;
  }
  avr->cycle = static_cast<avr_cycle_count_t>(at);
  return true;
}

// Sleep goes from event to event, or cycle by cycle where nothing is skipped.
void SimulatorCore::run_asleep() {
  const Cycle began = now();
  if (skipper_) {
    pass_sleep();
    skipper_->slept(now() - began);
  } else {
    avr_->cycle = static_cast<avr_cycle_count_t>(std::min(began + 1, std::max(until_, began)));
    avr_cycle_timer_process(avr_);
  }
  slept_ += now() - began;
  if (asleep_ && avr_->state == cpu_Running) {
    wake_up();
  }
}

void SimulatorCore::wake_up() {
  if (avr_->sreg[S_I] == 0) {
    avr_->state = cpu_Sleeping;  // with interrupts disabled nothing wakes it; only the watchdog's reset ends this
  } else if (!bitten() && !stalled_) {
    note_wake();
    enter_interrupts();
  }
}

void SimulatorCore::enter_interrupts() {
  if (avr_->interrupt_state < 0) {
    // One instruction runs after interrupts are enabled, as on silicon; the simulator would let two pass.
    if (++avr_->interrupt_state < 0) {
      return;
    }
    avr_->interrupt_state = interrupt_pending(avr_) ? 1 : 0;
  }
  while (avr_->interrupt_state > 0 && avr_->sreg[S_I] != 0 && !crashed()) {
    if (runner_) {
      serve_interrupt(avr_, *vector_bits_);
    } else {
      avr_service_interrupts(avr_);
    }
  }
  if (avr_->sreg[S_I] == 0 && avr_->interrupt_state == 0 && !crashed()) {
    respond();
  }
}

// An interrupt has been served.
inline void SimulatorCore::respond() {
  ++interrupts_entered_;
  // The response time, which the simulator leaves out: the program counter is pushed byte by byte.
  avr_->cycle += avr_->address_size == 3 ? 5U : 4U;
  const std::size_t entry = avr_->pc / 2U;
  if (entry < levels_.size() && levels_[entry].stands()) {
    levels_[entry].peripheral->interrupt_entered();
  }
  process_events();
}

// What settle(), run_asleep() and wake_up() do one after another, for the usual sleep: with interrupts enabled, in the
// mode that stops no clock, up to an event that wakes it. Anything else is left to them, at any point on the way.
Cycle SimulatorCore::sleep_through() {
  avr_t* const avr = avr_;
  const Cycle began = now_of(avr);
  const Cycle until = until_;
  if (!may_sleep_through_ || avr->sreg[S_I] == 0 || sleep_mode() != 0 || first_event(avr, until) <= began) {
    return kNoRuns;
  }
  asleep_ = true;
  pass_sleep();
  const Cycle slept = now_of(avr) - began;
  skipper_->slept(slept);
  slept_ += slept;
  if (avr->state != cpu_Running || bitten() || stalled_) {
    settled_ = true;
    return kNoRuns;
  }
  asleep_ = false;
  avr->cycle += kToWake;
  if (serve_only_interrupt(avr, *vector_bits_)) {
    respond();
  } else {
    enter_interrupts();
  }
  const Cycle now = now_of(avr);
  if (disturbed(avr) || bitten() || stalled_ || now >= until || skipper_->due(now)) {
    settled_ = true;
    return kNoRuns;
  }
  return std::min(until, skipper_->latest_look());
}

void SimulatorCore::raise(avr_int_vector_t& vector) {
  if (runner_) {
    raise_interrupt(avr_, vector, *vector_bits_);
  } else {
    avr_raise_interrupt(avr_, &vector);
  }
}

unsigned SimulatorCore::sleep_mode() const {
  constexpr avr_io_addr_t kSmcr = 0x53;
  return (avr_->data[kSmcr] >> 1U) & 7U;
}

void SimulatorCore::note_sleep() {
  asleep_ = true;
  const unsigned mode = sleep_mode();
  if (avr_->sreg[S_I] == 0 && !bit_of(avr_, watchdog_->wde)) {
    crash("went to sleep with interrupts disabled and no watchdog to wake it");
    return;
  }
  if (mode != 0) {
    io_clock_off_ = true;
    for (Peripheral* peripheral : peripherals_) {
      peripheral->io_clock_stopped(true);
    }
    if (mode == 1) {
      for (Peripheral* peripheral : peripherals_) {
        peripheral->quiet_sleep_entered();
      }
    }
  }
}

void SimulatorCore::note_wake() {
  asleep_ = false;
  avr_->cycle += kToWake;
  if (io_clock_off_) {
    io_clock_off_ = false;
    for (Peripheral* peripheral : peripherals_) {
      peripheral->io_clock_stopped(false);
    }
  }
}

}  // namespace dawnrig::device
