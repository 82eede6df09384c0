#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

void withdraw_interrupt(avr_t* avr, avr_int_vector_t& vector) {
  if (vector.pending == 0) {
    return;
  }
  vector.pending = 0;
  // The queue of pending vectors keeps the entry; left there, a vector raised and cleared again and again with
  // interrupts off would fill it.
  auto& queue = avr->interrupts.pending;
  constexpr unsigned kMask = avr_int_pending_fifo_size - 1;
  unsigned to = queue.read;
  for (unsigned from = queue.read; from != queue.write; from = (from + 1) & kMask) {
    if (queue.buffer[from] != &vector) {
      queue.buffer[to] = queue.buffer[from];
      to = (to + 1) & kMask;
    }
  }
  queue.write = static_cast<decltype(queue.write)>(to);
  if (queue.read == queue.write && avr->interrupt_state > 0) {
    avr->interrupt_state = 0;
  }
}

void ask_if_flagged(avr_t* avr, avr_int_vector_t& vector) {
  if (vector.pending == 0 && bit_of(avr, vector.enable) && bit_of(avr, vector.raised)) {
    avr_raise_interrupt(avr, &vector);
  }
}

std::uint8_t bits_written(const avr_t* avr, std::uint8_t value) {
  const unsigned opcode = avr->flash[avr->pc] | (avr->flash[avr->pc + 1] << 8);
  constexpr unsigned kSbi = 0x9A00;
  return (opcode & 0xFF00U) == kSbi ? static_cast<std::uint8_t>(1U << (opcode & 7U)) : value;
}

}  // namespace dawnrig::device
