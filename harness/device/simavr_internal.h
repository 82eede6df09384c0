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
