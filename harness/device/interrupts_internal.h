// Interrupts as the simulator keeps them: raised, queued, served, ended; without its detours where nobody listens.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <iterator>

#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

/// Takes a raised interrupt back: its flag was cleared before it was served. Leaves the flag itself alone.
void withdraw_interrupt(avr_t* avr, avr_int_vector_t& vector);
/// Where the bits of each interrupt lie, so that they need not be looked up in the simulator's lists.
class VectorBits {
 public:
  /// Data memory and vectors stay where they are from then on.
  explicit VectorBits(const avr_t* avr);
  [[nodiscard]] bool enabled(const avr_int_vector_t& vector) const { return of(vector).enable.stands(); }
  void put_flag(const avr_int_vector_t& vector) const { *of(vector).raised.at |= of(vector).raised.mask; }
  void clear_flag(const avr_int_vector_t& vector) const {
    const Bits& flag = of(vector).raised;
    *flag.at = static_cast<std::uint8_t>(*flag.at & ~flag.mask);
  }

 private:
  struct Bits {
    std::uint8_t* at{nullptr};
    std::uint8_t mask{0};
    [[nodiscard]] bool stands() const { return (*at & mask) != 0; }
  };
  struct Cells {
    Bits enable;
    Bits raised;
  };
  [[nodiscard]] const Cells& of(const avr_int_vector_t& vector) const { return cells_[vector.vector]; }

  std::array<Cells, 64> cells_;  // as many as the simulator has room for
};

/// What avr_raise_interrupt(), avr_service_interrupts() and avr_interrupt_reti() do to the processor, without raising
/// lines that nobody listens to. The second is for a processor that has an interrupt to serve, and asks the simulator
/// where more than a jump to the vector may come of it.
void raise_interrupt(avr_t* avr, avr_int_vector_t& vector, const VectorBits& bits);
void serve_interrupt(avr_t* avr, const VectorBits& bits);
void end_interrupt(avr_t* avr);

constexpr unsigned kPendingMask = avr_int_pending_fifo_size - 1;  ///< of places in the queue of interrupts that wait
/// Whether somebody hears of it when this interrupt, or all of them, becomes pending or is served.
inline bool listened_to(const avr_irq_t* lines) {
  return lines[AVR_INT_IRQ_PENDING].hook != nullptr || lines[AVR_INT_IRQ_RUNNING].hook != nullptr;
}
/// Whether no more than a jump to its vector comes of serving an interrupt. The simulator looks after a stack that
/// comes near an end of memory.
inline bool can_serve(const avr_t* avr) {
  const unsigned pointer = stack_pointer_of(avr);
  const auto& table = avr->interrupts;
  return pointer <= avr->ramend && pointer >= avr->ioend + 1U + 0x100U + avr->address_size &&
         table.running_ptr != std::size(table.running) && !listened_to(table.irq);
}
/// Serves an interrupt that is enabled and no longer in the queue.
inline void jump_to(avr_t* avr, avr_int_vector_t& vector, const VectorBits& bits) {
  std::uint8_t* const data = avr->data;
  unsigned pointer = stack_pointer_of(avr);
  const std::uint32_t back = avr->pc / 2U;
  data[pointer--] = static_cast<std::uint8_t>(back);
  data[pointer--] = static_cast<std::uint8_t>(back >> 8U);
  if (avr->address_size == 3) {
    data[pointer--] = static_cast<std::uint8_t>(back >> 16U);
  }
  data[R_SPL] = static_cast<std::uint8_t>(pointer);
  data[R_SPH] = static_cast<std::uint8_t>(pointer >> 8U);
  vector.pending = 0;
  avr->sreg[S_I] = 0;
  avr->interrupt_state = 0;
  avr->pc = static_cast<avr_flashaddr_t>(vector.vector) * avr->vector_size;
  auto& table = avr->interrupts;
  table.running[table.running_ptr++] = &vector;
  if (vector.raise_sticky == 0) {
    bits.clear_flag(vector);
  }
}
/// Serves the interrupt that waits, if it is the only one and no more than that comes of it; returns whether it did.
inline bool serve_only_interrupt(avr_t* avr, const VectorBits& bits) {
  auto& queue = avr->interrupts.pending;
  const unsigned behind = (queue.read + 1U) & kPendingMask;
  if (behind != queue.write || !can_serve(avr)) {
    return false;
  }
  avr_int_vector_t& vector = *queue.buffer[queue.read];
  if (listened_to(vector.irq) || vector.pending == 0 || !bits.enabled(vector)) {
    return false;
  }
  queue.read = static_cast<decltype(queue.read)>(behind);
  jump_to(avr, vector, bits);
  return true;
}
/// Does the same as end_interrupt() where nobody hears of it; returns whether it did.
inline bool end_interrupt_unheard(avr_t* avr) {
  auto& table = avr->interrupts;
  if (table.running_ptr == 0 || listened_to(table.irq) || listened_to(table.running[table.running_ptr - 1]->irq)) {
    return false;
  }
  --table.running_ptr;
  return true;
}

}  // namespace dawnrig::device
