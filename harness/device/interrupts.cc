#include "harness/device/interrupts_internal.h"

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

VectorBits::VectorBits(const avr_t* avr) {
  const auto bits = [avr](const avr_regbit_t& bit) {
    return Bits{avr->data + bit.reg, static_cast<std::uint8_t>(bit.mask << bit.bit)};
  };
  cells_.fill({{avr->data}, {avr->data}});
  for (unsigned i = 0; i < avr->interrupts.vector_count; ++i) {
    const avr_int_vector_t& vector = *avr->interrupts.vector[i];
    cells_.at(vector.vector) = {bits(vector.enable), bits(vector.raised)};
  }
}

void raise_interrupt(avr_t* avr, avr_int_vector_t& vector, const VectorBits& bits) {
  if (vector.vector == 0 || vector.pending != 0) {
    return;
  }
  bits.put_flag(vector);
  raise_line(vector.irq[AVR_INT_IRQ_PENDING], 1);
  raise_line(avr->interrupts.irq[AVR_INT_IRQ_PENDING], 1);
  if (!bits.enabled(vector)) {
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

void serve_interrupt(avr_t* avr, const VectorBits& bits) {
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
  if (vector.pending != 0 && bits.enabled(vector)) {
    jump_to(avr, vector, bits);
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

}  // namespace dawnrig::device
