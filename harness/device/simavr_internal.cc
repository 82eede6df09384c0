#include "harness/device/simavr_internal.h"

namespace dawnrig::device {
void enqueue_event(avr_t* avr, avr_cycle_count_t when, avr_cycle_timer_t timer, void* param) {
  avr_cycle_timer_pool_t& pool = avr->cycle_timers;
  avr_cycle_timer_slot_t* const slot = pool.timer_free;
  // Without shortcuts, or in strides, the simulator has to count anew how many cycles it may run; and it says so when
  // the queue is full.
  if (avr->run_cycle_limit != 1 || slot == nullptr) {
    avr_cycle_timer_register(avr, when - avr->cycle, timer, param);
    return;
  }
  pool.timer_free = slot->next;
  avr_cycle_timer_slot_t** at = &pool.timer;
  while (*at != nullptr && (*at)->when <= when) {
    at = &(*at)->next;
  }
  slot->when = when;
  slot->timer = timer;
  slot->param = param;
  slot->next = *at;
  *at = slot;
}

void process_events_that_are_due(avr_t* avr) {
  if (avr->run_cycle_limit != 1) {
    avr_cycle_timer_process(avr);  // in strides, it counts anew how many cycles it may run
    return;
  }
  avr_cycle_timer_pool_t& pool = avr->cycle_timers;
  avr_cycle_timer_slot_t* slot = pool.timer;
  do {
    pool.timer = slot->next;
    avr_cycle_count_t when = slot->when;
    do {
      const avr_cycle_count_t again = slot->timer(avr, when, slot->param);
      when = again > when ? again : 0;
    } while (when != 0 && when <= avr->cycle);
    if (when != 0) {
      enqueue_event(avr, when, slot->timer, slot->param);
    }
    slot->next = pool.timer_free;
    pool.timer_free = slot;
    slot = pool.timer;
  } while (slot != nullptr && slot->when <= avr->cycle);
  avr->run_cycle_count = 1;
}

void BitField::take(avr_regbit_t bit, unsigned to) {
  if (bit.reg == 0) {
    return;
  }
  Part* const last = count_ == 0 ? nullptr : &parts_[count_ - 1];
  const unsigned width = last == nullptr ? 0U : to - last->to;
  if (last != nullptr && bit.mask == 1 && last->reg == bit.reg && last->from + width == bit.bit &&
      last->mask == (1U << width) - 1U) {
    last->mask = static_cast<std::uint8_t>(last->mask << 1U | 1U);
    return;
  }
  parts_[count_++] = {static_cast<avr_io_addr_t>(bit.reg), static_cast<std::uint8_t>(bit.bit),
                      static_cast<std::uint8_t>(to), static_cast<std::uint8_t>(bit.mask)};
}

std::uint8_t bits_written(const avr_t* avr, std::uint8_t value) {
  const unsigned opcode = avr->flash[avr->pc] | (avr->flash[avr->pc + 1] << 8);
  constexpr unsigned kSbi = 0x9A00;
  return (opcode & 0xFF00U) == kSbi ? static_cast<std::uint8_t>(1U << (opcode & 7U)) : value;
}

}  // namespace dawnrig::device
