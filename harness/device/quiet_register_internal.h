// Registers of peripherals that need not be asked each time: a read that only leaves a note, a write that mostly just
// stands. The simulator calls them as it calls any owner; runs of plain instructions know them, and do the same at
// once. Room: harness/device, internal: included by .cc files and *_internal.h of this room only.
#pragma once

#include <cstdint>

#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

/// The register always holds what it reads; a read leaves `what` at `where`, and nothing else comes of it.
struct NotedRead {
  std::uint8_t* where;
  std::uint8_t what;

  static std::uint8_t read(avr_t* avr, avr_io_addr_t address, void* param) {
    const auto* const note = static_cast<const NotedRead*>(param);
    *note->where = note->what;
    return avr->data[address];
  }
};

/// A write is kept in the register and nothing else comes of it, as long as `*busy` is zero and the bits of `heard`
/// stay as they are; otherwise the unit is told.
struct KeptWrite {
  const std::uint8_t* busy;
  std::uint8_t heard;
  avr_io_write_t tell;
  void* unit;

  [[nodiscard]] bool just_stands(std::uint8_t cell, std::uint8_t value) const {
    return *busy == 0 && ((cell ^ value) & heard) == 0;
  }
  static void write(avr_t* avr, avr_io_addr_t address, std::uint8_t value, void* param) {
    const auto* const kept = static_cast<const KeptWrite*>(param);
    if (kept->just_stands(avr->data[address], value)) {
      avr->data[address] = value;
    } else {
      kept->tell(avr, address, value, kept->unit);
    }
  }
};

inline void own_read(avr_t* avr, avr_io_addr_t address, NotedRead& note) {
  auto& slot = avr->io[AVR_DATA_TO_IO(address)].r;
  slot.param = &note;
  slot.c = &NotedRead::read;
}
template <auto Method, class Unit>
void own_write(avr_t* avr, avr_io_addr_t address, KeptWrite& kept, Unit* unit) {
  own_write<Method>(avr, address, unit);
  auto& slot = avr->io[AVR_DATA_TO_IO(address)].w;
  kept.tell = slot.c;
  kept.unit = unit;
  slot.param = &kept;
  slot.c = &KeptWrite::write;
}

/// nullptr: it is none of those, or not a register at all.
[[nodiscard]] inline const NotedRead* noted_read(const avr_t* avr, std::uint32_t address) {
  const std::uint32_t io = address - 32U;
  const bool is = io < MAX_IOs && avr->io[io].irq == nullptr && avr->io[io].r.c == &NotedRead::read;
  return is ? static_cast<const NotedRead*>(avr->io[io].r.param) : nullptr;
}
[[nodiscard]] inline const KeptWrite* kept_write(const avr_t* avr, std::uint32_t address) {
  const std::uint32_t io = address - 32U;
  const bool is = io < MAX_IOs && avr->io[io].irq == nullptr && avr->io[io].w.c == &KeptWrite::write;
  return is ? static_cast<const KeptWrite*>(avr->io[io].w.param) : nullptr;
}

}  // namespace dawnrig::device
