// The instruction simulator's C headers and the few ways this room reaches into it.
// Room: harness/device, internal: only .cc files and *_internal.h of this room include it, so that no other room ever
// sees a simulator header.
#pragma once

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_twi.h>
#include <simavr/avr_uart.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_core.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>

#include <array>
#include <cstdint>
#include <cstring>
#include <iterator>

#include "harness/device/virtual_device.h"

namespace dawnrig::device {

/// Takes a register away from the simulator's own model: writes go to `Method(address, value)` and nowhere else.
template <auto Method, class Unit>
void own_write(avr_t* avr, avr_io_addr_t address, Unit* unit) {
  auto& slot = avr->io[AVR_DATA_TO_IO(address)].w;
  slot.param = unit;
  slot.c = [](avr_t*, avr_io_addr_t at, std::uint8_t value, void* param) {
    (static_cast<Unit*>(param)->*Method)(at, value);
  };
}

/// Reads of a register are answered by `Method(address)`.
template <auto Method, class Unit>
void own_read(avr_t* avr, avr_io_addr_t address, Unit* unit) {
  auto& slot = avr->io[AVR_DATA_TO_IO(address)].r;
  slot.param = unit;
  slot.c = [](avr_t*, avr_io_addr_t at, void* param) -> std::uint8_t {
    return (static_cast<Unit*>(param)->*Method)(at);
  };
}

/// What avr_cycle_timer_register() does for a pair of `timer` and `param` that is not in the queue.
void enqueue_event(avr_t* avr, avr_cycle_count_t when, avr_cycle_timer_t timer, void* param);

/// What avr_cycle_timer_process() does when the first event is due; and that, if it is.
void process_events_that_are_due(avr_t* avr);
inline void process_due_events(avr_t* avr) {
  const avr_cycle_timer_slot_t* const first = avr->cycle_timers.timer;
  if (first != nullptr && first->when <= avr->cycle) {
    process_events_that_are_due(avr);
  }
}

/// Calls `Method(when)` at cycle `at`, replacing an earlier appointment of the same unit and method. An instant already
/// past is kept at the next instruction boundary, in order of its time.
template <auto Method, class Unit>
avr_cycle_count_t appointment(avr_t*, avr_cycle_count_t when, void* param) {
  (static_cast<Unit*>(param)->*Method)(static_cast<Cycle>(when));
  return 0;
}
template <auto Method, class Unit>
void appoint(avr_t* avr, Cycle at, Unit* unit) {
  avr_cycle_timer_register(avr, static_cast<avr_cycle_count_t>(at) - avr->cycle, &appointment<Method, Unit>, unit);
}
/// The same for a unit that has no such appointment.
template <auto Method, class Unit>
void appoint_anew(avr_t* avr, Cycle at, Unit* unit) {
  enqueue_event(avr, static_cast<avr_cycle_count_t>(at), &appointment<Method, Unit>, unit);
}
template <auto Method, class Unit>
void call_off(avr_t* avr, Unit* unit) {
  avr_cycle_timer_cancel(avr, &appointment<Method, Unit>, unit);
}

inline Cycle now_of(const avr_t* avr) {
  return static_cast<Cycle>(avr->cycle);
}

/// The simulator's module of a kind ("timer", "uart", ...) after `previous` in its list; nullptr at the end.
template <class Module>
Module* next_module(avr_t* avr, const char* kind, avr_io_t* previous = nullptr) {
  avr_io_t* io = previous == nullptr ? avr->io_port : previous->next;
  while (io != nullptr && std::strcmp(io->kind, kind) != 0) {
    io = io->next;
  }
  return reinterpret_cast<Module*>(io);  // the module struct begins with its avr_io_t
}

inline unsigned stack_pointer_of(const avr_t* avr) {
  return avr->data[R_SPL] | (static_cast<unsigned>(avr->data[R_SPH]) << 8U);
}
inline bool interrupt_pending(const avr_t* avr) {
  return avr->interrupts.pending.read != avr->interrupts.pending.write;
}
/// A bit that a part does not have is of register 0 and has no mask.
inline bool bit_of(const avr_t* avr, avr_regbit_t bit) {
  return ((static_cast<unsigned>(avr->data[bit.reg]) >> bit.bit) & bit.mask) != 0;
}
inline void put_bit(avr_t* avr, avr_regbit_t bit, bool on) {
  const auto mask = static_cast<std::uint8_t>(bit.mask << bit.bit);
  std::uint8_t& cell = avr->data[bit.reg];
  cell = static_cast<std::uint8_t>(on ? (cell | mask) : (cell & ~mask));
}

/// Takes a raised interrupt back: its flag was cleared before it was served. Leaves the flag itself alone.
void withdraw_interrupt(avr_t* avr, avr_int_vector_t& vector);
/// Asks for service if the interrupt is enabled and its flag stands: what hardware does the instant an enable bit is
/// set.
inline void ask_if_flagged(avr_t* avr, avr_int_vector_t& vector) {
  if (bit_of(avr, vector.enable) && bit_of(avr, vector.raised) && vector.pending == 0) {
    avr_raise_interrupt(avr, &vector);
  }
}

/// What avr_raise_interrupt(), avr_service_interrupts() and avr_interrupt_reti() do to the processor, without raising
/// lines that nobody listens to. The second is for a processor that has an interrupt to serve, and asks the simulator
/// where more than a jump to the vector may come of it.
void raise_interrupt(avr_t* avr, avr_int_vector_t& vector);
void serve_interrupt(avr_t* avr);
void end_interrupt(avr_t* avr);

constexpr unsigned kPendingMask = avr_int_pending_fifo_size - 1;  ///< of places in the queue of interrupts that wait
/// Whether somebody hears of it when this interrupt, or all of them, becomes pending or is served.
inline bool listened_to(const avr_irq_t* lines) {
  return lines[AVR_INT_IRQ_PENDING].hook != nullptr || lines[AVR_INT_IRQ_RUNNING].hook != nullptr;
}
/// Whether no more than a jump to its vector comes of serving an interrupt. The simulator looks after a stack that comes
/// near an end of memory.
inline bool can_serve(const avr_t* avr) {
  const unsigned pointer = stack_pointer_of(avr);
  const auto& table = avr->interrupts;
  return pointer <= avr->ramend && pointer >= avr->ioend + 1U + 0x100U + avr->address_size &&
         table.running_ptr != std::size(table.running) && !listened_to(table.irq);
}
/// Serves an interrupt that is enabled and no longer in the queue.
inline void jump_to(avr_t* avr, avr_int_vector_t& vector) {
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
    put_bit(avr, vector.raised, false);
  }
}
/// Serves the interrupt that waits, if it is the only one and no more than that comes of it; returns whether it did.
inline bool serve_only_interrupt(avr_t* avr) {
  auto& queue = avr->interrupts.pending;
  const unsigned behind = (queue.read + 1U) & kPendingMask;
  if (behind != queue.write || !can_serve(avr)) {
    return false;
  }
  avr_int_vector_t& vector = *queue.buffer[queue.read];
  if (listened_to(vector.irq) || vector.pending == 0 || !bit_of(avr, vector.enable)) {
    return false;
  }
  queue.read = static_cast<decltype(queue.read)>(behind);
  jump_to(avr, vector);
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

/// A number whose bits lie in registers as the simulator lists them, lowest first.
class BitField {
 public:
  BitField(const avr_regbit_t* bits, unsigned count) {
    for (unsigned i = 0; i < count && i < kMostBits; ++i) {
      take(bits[i], i);
    }
  }
  [[nodiscard]] unsigned of(const avr_t* avr) const {
    unsigned value = of(avr, parts_[0]);
    for (std::size_t i = 1; i < count_; ++i) {
      value |= of(avr, parts_[i]);
    }
    return value;
  }

 private:
  static constexpr std::size_t kMostBits = 8;
  struct Part {
    avr_io_addr_t reg{0};
    std::uint8_t from{0};
    std::uint8_t to{0};
    std::uint8_t mask{0};
  };

  static unsigned of(const avr_t* avr, const Part& part) {
    return ((static_cast<unsigned>(avr->data[part.reg]) >> part.from) & part.mask) << part.to;
  }
  void take(avr_regbit_t bit, unsigned to);

  std::array<Part, kMostBits> parts_{};  ///< bits in a row in one register are one part
  std::size_t count_{0};
};

/// SBI sets one bit of a register whose other ones must not be written back (flags cleared by ones, PINx toggles);
/// the simulator writes the whole byte. The bits the firmware really wrote.
std::uint8_t bits_written(const avr_t* avr, std::uint8_t value);

/// The modulo that is never negative.
inline Cycle floor_div(Cycle a, Cycle b) {
  return a >= 0 ? a / b : -((-a + b - 1) / b);
}

}  // namespace dawnrig::device
