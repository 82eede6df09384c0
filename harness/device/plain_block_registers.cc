// Registers of peripherals in runs of plain instructions.
#include <algorithm>
#include <cstring>

#include "harness/device/plain_block_parts_internal.h"
#include "harness/device/quiet_register_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Kind = BlockPart::Kind;

constexpr std::uint32_t kRegisters = 32;  // those of the processor, ahead of the peripherals' in data memory

enum class Cell : std::uint8_t { kPlain, kOwned, kNotPlain };

inline Cell cell_at(const BlockCpu& cpu, std::uint32_t address, bool loads) {
  if (address - cpu.ram_start <= cpu.ram_span) {
    return Cell::kPlain;
  }
  const std::uint32_t io = address - kRegisters;
  if (io >= MAX_IOs || address >= cpu.ram_start || address == R_SREG) {
    return Cell::kNotPlain;
  }
  const auto& cell = cpu.avr->io[io];
  if (cell.irq != nullptr) {
    return Cell::kNotPlain;
  }
  return (loads ? cell.r.c == nullptr : cell.w.c == nullptr) ? Cell::kPlain : Cell::kOwned;
}

// Who owns a register is asked as the simulator would ask: at the instant at which the instruction begins, with the
// program counter still before it. What comes of that may move the next event, so that the run ends here.
inline void show_processor(const BlockOp* op, const BlockCpu& cpu) {
  avr_t* const avr = cpu.avr;
  avr->pc = static_cast<avr_flashaddr_t>(op - cpu.first) * 2U;
  avr->cycle = static_cast<avr_cycle_count_t>(cpu.until - cpu.left - op->rest);
  std::memcpy(avr->sreg, cpu.flag, sizeof cpu.flag);
}
[[gnu::always_inline]] inline const BlockOp* look_around(std::uint8_t* data, Cycle cycles, const BlockOp* op,
                                                         const BlockOp* after, BlockCpu& cpu) {
  cpu.event = first_event(cpu.avr, cpu.limit);
  cpu.until = std::min(cpu.until, cpu.event);
  cpu.left = cpu.until - now_of(cpu.avr) - cycles;  // some registers halt the processor for a while
  if (disturbed(cpu.avr)) {
    cpu.stopped_at = cpu.avr->state == cpu_Crashed ? op : after;  // a crash is told with the instruction it happened at
    return nullptr;
  }
  return go_to(data, after, cpu);
}

template <bool kLoads>
[[gnu::always_inline]] inline void ask_owner(std::uint8_t* data, unsigned address, const BlockOp* op,
                                             const BlockCpu& cpu) {
  show_processor(op, cpu);
  const auto& cell = cpu.avr->io[address - kRegisters];
  const auto at = static_cast<avr_io_addr_t>(address);
  if constexpr (kLoads) {
    data[address] = cell.r.c(cpu.avr, at, cell.r.param);
    data[op->d] = data[address];
  } else {
    cell.w.c(cpu.avr, at, data[op->d], cell.w.param);
  }
}

template <bool kLoads, int kWords>
const BlockOp* owned(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  ask_owner<kLoads>(data, op->k, op, cpu);
  return look_around(data, kWords, op, op + kWords, cpu);
}

// Those of them that need not be asked: see quiet_register_internal.h. What they do is nothing that ends a run.
template <int kWords>
const BlockOp* noted(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const auto* const note = static_cast<const NotedRead*>(cpu.avr->io[op->k - kRegisters].r.param);
  *note->where = note->what;
  data[op->d] = data[op->k];
  return go_on(data, op + kWords, cpu);
}
template <int kWords>
const BlockOp* kept(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const auto* const write = static_cast<const KeptWrite*>(cpu.avr->io[op->k - kRegisters].w.param);
  if (!write->just_stands(data[op->k], data[op->d])) {
    return owned<false, kWords>(data, op, cpu);
  }
  data[op->k] = data[op->d];
  return go_on(data, op + kWords, cpu);
}

// A register is read and written as a whole, at the same instant.
template <bool kSets>
const BlockOp* bit_of_cell(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  show_processor(op, cpu);
  const auto& cell = cpu.avr->io[op->k - kRegisters];
  if (cell.r.c != nullptr) {
    data[op->k] = cell.r.c(cpu.avr, op->k, cell.r.param);
  }
  const unsigned bit = 1U << op->b;
  const auto value = static_cast<std::uint8_t>(kSets ? data[op->k] | bit : data[op->k] & ~bit);
  if (cell.w.c != nullptr) {
    cell.w.c(cpu.avr, op->k, value, cell.w.param);
  } else {
    data[op->k] = value;
  }
  return look_around(data, 2, op, op + 1, cpu);
}

// A pointer that turns out to point to a peripheral's register: one with an owner ends the run early.
template <bool kLoads>
[[gnu::noinline]] const BlockOp* owned_by_pointer(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu,
                                                  unsigned address) {
  ask_owner<kLoads>(data, address, op, cpu);
  return look_around(data, 2, op, op + 1, cpu);
}
template <bool kLoads>
[[gnu::always_inline]] inline const BlockOp* register_by_pointer(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned address = (word_at(data + op->r) + op->k) & 0xFFFFU;
  const Cell cell = cell_at(cpu, address, kLoads);
  if (cell == Cell::kPlain) {
    data[kLoads ? op->d : address] = data[kLoads ? address : op->d];
    return go_on(data, op + 1, cpu);
  }
  return cell == Cell::kOwned ? owned_by_pointer<kLoads>(data, op, cpu, address) : cpu.leave(op);
}

template <bool kSets>
BlockPart at_bit(const Instruction& one, const BlockCpu& cpu) {
  const bool is = cell_at(cpu, one.k, true) != Cell::kNotPlain;
  return is ? BlockPart{bit_of_cell<kSets>, 2, Kind::kEndsRun} : BlockPart{};
}

template <bool kLoads, int kWords>
BlockPart owned_at(const Instruction& one, const BlockCpu& cpu) {
  if (cell_at(cpu, one.k, kLoads) != Cell::kOwned) {
    return {};
  }
  if (kLoads && noted_read(cpu.avr, one.k) != nullptr) {
    return {noted<kWords>, kWords};
  }
  if (!kLoads && kept_write(cpu.avr, one.k) != nullptr) {
    return {kept<kWords>, kWords, Kind::kMayStop};
  }
  return {owned<kLoads, kWords>, kWords, Kind::kEndsRun};
}

}  // namespace

const BlockOp* load_by_register(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return register_by_pointer<true>(data, op, cpu);
}
const BlockOp* store_by_register(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return register_by_pointer<false>(data, op, cpu);
}

bool is_plain_cell(const BlockCpu& cpu, std::uint32_t address, bool loads) {
  return cell_at(cpu, address, loads) == Cell::kPlain;
}

BlockPart block_register(const Instruction& one, const BlockCpu& cpu) {
  switch (one.operation) {
    case Op::kLoad:
      return one.bytes == 4 ? owned_at<true, 2>(one, cpu) : owned_at<true, 1>(one, cpu);
    case Op::kStore:
      return one.bytes == 4 ? owned_at<false, 2>(one, cpu) : owned_at<false, 1>(one, cpu);
    case Op::kSetCellBit:
      return at_bit<true>(one, cpu);
    case Op::kClearCellBit:
      return at_bit<false>(one, cpu);
    default:
      return {};
  }
}

}  // namespace dawnrig::device
