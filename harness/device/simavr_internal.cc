#include "harness/device/simavr_internal.h"

#include <iterator>

namespace dawnrig::device {
namespace {

/// Nobody asks a line of interrupts for its level.
void raise_line(avr_irq_t& line, std::uint32_t value) {
  if (line.hook != nullptr) [[unlikely]] {
    avr_raise_irq(&line, value);
  }
}

/// Where in the queue the one stands that goes first: the lowest vector.
unsigned first_in(const avr_int_table_t& table) {
  const auto& queue = table.pending;
  unsigned first = queue.read;
  for (unsigned at = (first + 1) & kPendingMask; at != queue.write; at = (at + 1) & kPendingMask) {
    first = queue.buffer[at]->vector < queue.buffer[first]->vector ? at : first;
  }
  return first;
}

}  // namespace

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

void raise_interrupt(avr_t* avr, avr_int_vector_t& vector) {
  if (vector.vector == 0 || vector.pending != 0) {
    return;
  }
  put_bit(avr, vector.raised, true);
  raise_line(vector.irq[AVR_INT_IRQ_PENDING], 1);
  raise_line(avr->interrupts.irq[AVR_INT_IRQ_PENDING], 1);
  if (!bit_of(avr, vector.enable)) {
    return;
  }
  vector.pending = 1;
  auto& queue = avr->interrupts.pending;
  const auto behind = static_cast<decltype(queue.write)>((queue.write + 1U) & kPendingMask);
  if (behind != queue.read) {
    queue.buffer[queue.write] = &vector;
    queue.write = behind;
  }
  if (avr->sreg[S_I] != 0 && avr->interrupt_state == 0) {
    avr->interrupt_state = 1;
  }
  if (avr->state == cpu_Sleeping) {
    avr->state = cpu_Running;
  }
}

void serve_interrupt(avr_t* avr) {
  auto& table = avr->interrupts;
  auto& queue = table.pending;
  if (!interrupt_pending(avr) || !can_serve(avr)) {
    avr_service_interrupts(avr);
    return;
  }
  const unsigned first = first_in(table);
  avr_int_vector_t& vector = *queue.buffer[first];
  if (listened_to(vector.irq)) {
    avr_service_interrupts(avr);
    return;
  }
  queue.buffer[first] = queue.buffer[queue.read];
  queue.read = static_cast<decltype(queue.read)>((queue.read + 1U) & kPendingMask);
  if (vector.pending != 0 && bit_of(avr, vector.enable)) {
    jump_to(avr, vector);
  } else {  // disabled, or cleared, before it was served
    vector.pending = 0;
    avr->interrupt_state = interrupt_pending(avr) ? 1 : 0;
  }
}

void end_interrupt(avr_t* avr) {
  auto& table = avr->interrupts;
  if (table.running_ptr > 0) {
    raise_line(table.running[--table.running_ptr]->irq[AVR_INT_IRQ_RUNNING], 0);
  }
  raise_line(table.irq[AVR_INT_IRQ_RUNNING],
             table.running_ptr > 0 ? table.running[table.running_ptr - 1]->vector : std::uint8_t{0});
  raise_line(table.irq[AVR_INT_IRQ_PENDING], interrupt_pending(avr) ? 1 : 0);
}

void withdraw_interrupt(avr_t* avr, avr_int_vector_t& vector) {
  if (vector.pending == 0) {
    return;
  }
  vector.pending = 0;
  // The queue of pending vectors keeps the entry; left there, a vector raised and cleared again and again with
  // interrupts off would fill it.
  auto& queue = avr->interrupts.pending;
  unsigned to = queue.read;
  for (unsigned from = queue.read; from != queue.write; from = (from + 1) & kPendingMask) {
    if (queue.buffer[from] != &vector) {
      queue.buffer[to] = queue.buffer[from];
      to = (to + 1) & kPendingMask;
    }
  }
  queue.write = static_cast<decltype(queue.write)>(to);
  if (queue.read == queue.write && avr->interrupt_state > 0) {
    avr->interrupt_state = 0;
  }
}

std::uint8_t bits_written(const avr_t* avr, std::uint8_t value) {
  const unsigned opcode = avr->flash[avr->pc] | (avr->flash[avr->pc + 1] << 8);
  constexpr unsigned kSbi = 0x9A00;
  return (opcode & 0xFF00U) == kSbi ? static_cast<std::uint8_t>(1U << (opcode & 7U)) : value;
}

}  // namespace dawnrig::device
