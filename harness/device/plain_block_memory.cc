// Memory in runs of plain instructions.
#include <algorithm>
#include <array>
#include <cstring>
#include <utility>

#include "harness/device/plain_block_parts_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Kind = BlockPart::Kind;
using Step = Instruction::Step;

// Unless something was begun that makes it read fuses.
template <Step kStep>
const BlockOp* load_program(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  if (data[kProgramControl] != 0) {
    return cpu.leave(op);
  }
  const unsigned address = word_at(data + R_ZL);
  data[op->d] = cpu.avr->flash[address];
  if constexpr (kStep == Step::kAfterwards) {
    put_word(data + R_ZL, address + 1U);
  }
  return go_on(data, op + 1, cpu);
}

template <bool kLoads, int kWords>
const BlockOp* direct(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  data[kLoads ? op->d : op->k] = data[kLoads ? op->k : op->d];
  return go_on(data, op + kWords, cpu);
}

template <bool kLoads, Step kStep>
const BlockOp* by_pointer(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned before = word_at(data + op->r);
  const unsigned address = (before + (kStep == Step::kNone ? op->k : kStep == Step::kBefore ? 0xFFFFU : 0U)) & 0xFFFFU;
  if (address - cpu.ram_start > cpu.ram_span) {
    return kStep == Step::kNone ? (kLoads ? load_by_register(data, op, cpu) : store_by_register(data, op, cpu))
                                : cpu.leave(op);
  }
  data[kLoads ? op->d : address] = data[kLoads ? address : op->d];
  if constexpr (kStep != Step::kNone) {
    put_word(data + op->r, kStep == Step::kBefore ? address : before + 1U);
  }
  return go_on(data, op + 1, cpu);
}

// So many bytes that lie one behind another both in memory and in registers, taken up or down. Numbers of more than one
// byte do.
template <bool kLoads, unsigned kCount, bool kDown>
void move_row(std::uint8_t* data, const BlockOp* op, unsigned address) {
  constexpr unsigned kBack = kDown ? kCount - 1U : 0U;
  std::uint8_t* const registers = data + op->d - kBack;
  std::uint8_t* const memory = data + address - kBack;
  std::memcpy(kLoads ? registers : memory, kLoads ? memory : registers, kCount);
}
template <bool kLoads, unsigned kCount, bool kDown>
const BlockOp* direct_row(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  constexpr unsigned kWords = 2 * kCount;
  move_row<kLoads, kCount, kDown>(data, op, op->k);
  return go_on(data, op + kWords, cpu);
}
template <bool kLoads, unsigned kCount, bool kDown>
const BlockOp* row_by_pointer(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  constexpr unsigned kUp = kDown ? 0U : kCount - 1U;
  constexpr unsigned kBack = kDown ? kCount - 1U : 0U;
  const unsigned address = (word_at(data + op->r) + op->k) & 0xFFFFU;
  if (address - cpu.ram_start - kBack > cpu.ram_span - kUp - kBack) {
    return by_pointer<kLoads, Step::kNone>(data, op, cpu);  // one after another
  }
  move_row<kLoads, kCount, kDown>(data, op, address);
  return go_on(data, op + kCount, cpu);
}

bool in_a_row(std::span<const Instruction> code, std::size_t count, int step) {
  for (std::size_t i = 1; i < count; ++i) {
    const Instruction& one = code[i];
    const Instruction& before = code[i - 1];
    if (one.operation != before.operation || one.bytes != before.bytes || one.pointer != before.pointer ||
        one.step != Step::kNone || one.d != before.d + step || one.k != before.k + static_cast<std::uint32_t>(step)) {
      return false;
    }
  }
  return code[0].step == Step::kNone;
}
// A load that changes its own pointer leads elsewhere from there on.
bool keeps_pointer(std::span<const Instruction> code) {
  return std::none_of(code.begin(), code.end(), [](const Instruction& one) { return (one.d & 0x1EU) == one.pointer; });
}

bool is_a_row(std::span<const Instruction> code, const BlockCpu& cpu, unsigned count, bool down) {
  if (code.size() < count || !in_a_row(code, count, down ? -1 : 1)) {
    return false;
  }
  const auto all = code.first(count);
  const bool loads = code[0].operation == Op::kLoad || code[0].operation == Op::kLoadByPointer;
  if (code[0].pointer != 0) {
    return !loads || keeps_pointer(all);
  }
  return std::all_of(all.begin(), all.end(), [&cpu, loads](const Instruction& one) {
    return one.bytes == 4 && is_plain_cell(cpu, one.k, loads);
  });
}

template <bool kLoads, unsigned kCount>
BlockHandler row(const Instruction& first, bool down) {
  if (first.pointer != 0) {
    return down ? row_by_pointer<kLoads, kCount, true> : row_by_pointer<kLoads, kCount, false>;
  }
  return down ? direct_row<kLoads, kCount, true> : direct_row<kLoads, kCount, false>;
}
template <bool kLoads>
BlockHandler row(const Instruction& first, const MemoryRow& found) {
  return found.count == 4 ? row<kLoads, 4>(first, found.down) : row<kLoads, 2>(first, found.down);
}

void move_eight_turned(std::uint8_t* to, const std::uint8_t* from) {
  std::uint64_t eight = 0;
  std::memcpy(&eight, from, sizeof eight);
  eight = __builtin_bswap64(eight);
  std::memcpy(to, &eight, sizeof eight);
}

template <unsigned... kAt>
void push_all(std::uint8_t* top, const std::uint8_t* data, const BlockOp* op,
              std::integer_sequence<unsigned, kAt...> /*in a row*/) {
  ((top[-static_cast<int>(kAt)] = data[op[kAt].d]), ...);
}
template <unsigned... kAt>
void pop_all(const std::uint8_t* top, std::uint8_t* data, const BlockOp* op,
             std::integer_sequence<unsigned, kAt...> /*in a row*/) {
  ((data[op[kAt].d] = top[kAt + 1]), ...);
}

// From one on eight registers may follow each other, as those that a routine need not keep do: these go at once.
constexpr unsigned kEight = 8;
constexpr unsigned kNoEight = kMostAlike;

template <unsigned kCount, unsigned kEightFrom>
const BlockOp* push(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer - cpu.stack_floor - kCount > cpu.stack_span - kCount) {
    return cpu.leave(op);
  }
  std::uint8_t* const top = data + pointer;
  if constexpr (kEightFrom == kNoEight) {
    push_all(top, data, op, std::make_integer_sequence<unsigned, kCount>());
  } else {
    constexpr unsigned kBehind = kEightFrom + kEight;
    push_all(top, data, op, std::make_integer_sequence<unsigned, kEightFrom>());
    move_eight_turned(top - (kBehind - 1U), data + op[kEightFrom].d);
    push_all(top - kBehind, data, op + kBehind, std::make_integer_sequence<unsigned, kCount - kBehind>());
  }
  put_word(data + R_SPL, pointer - kCount);
  return go_on(data, op + kCount, cpu);
}
template <unsigned kCount, unsigned kEightFrom>
const BlockOp* pop(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer - cpu.stack_floor > cpu.stack_span - kCount) {
    return cpu.leave(op);
  }
  const std::uint8_t* const top = data + pointer;
  if constexpr (kEightFrom == kNoEight) {
    pop_all(top, data, op, std::make_integer_sequence<unsigned, kCount>());
  } else {
    constexpr unsigned kBehind = kEightFrom + kEight;
    pop_all(top, data, op, std::make_integer_sequence<unsigned, kEightFrom>());
    move_eight_turned(data + op[kBehind - 1U].d, top + kEightFrom + 1U);
    pop_all(top + kBehind, data, op + kBehind, std::make_integer_sequence<unsigned, kCount - kBehind>());
  }
  put_word(data + R_SPL, pointer + kCount);
  return go_on(data, op + kCount, cpu);
}

template <bool kPushes, unsigned kCount, unsigned kEightFrom>
BlockHandler on_stack(unsigned eight_from) {
  if constexpr (kEightFrom == kNoEight) {
    return kPushes ? push<kCount, kNoEight> : pop<kCount, kNoEight>;
  } else if constexpr (kEightFrom + kEight <= kCount) {
    return eight_from == kEightFrom ? (kPushes ? push<kCount, kEightFrom> : pop<kCount, kEightFrom>)
                                    : on_stack<kPushes, kCount, kEightFrom + 1>(eight_from);
  } else {
    return on_stack<kPushes, kCount, kNoEight>(eight_from);
  }
}
template <bool kPushes, unsigned... kLess>
BlockHandler row_on_stack(unsigned count, unsigned eight_from,
                          std::integer_sequence<unsigned, kLess...> /*one less than how many*/) {
  constexpr BlockHandler (*kRows[])(unsigned) = {on_stack<kPushes, kLess + 1, 0>...};
  return kRows[count - 1U](eight_from);
}
template <bool kPushes>
BlockHandler row_on_stack(const BlockOp& first) {
  const BlockOp* const op = &first;
  unsigned from = 0;
  const auto eight = [op](unsigned at) {
    for (unsigned i = at + 1; i < at + kEight; ++i) {
      if (op[i].d != op[i - 1].d + (kPushes ? 1 : -1)) {
        return false;
      }
    }
    return true;
  };
  while (from + kEight <= op->count && !eight(from)) {
    ++from;
  }
  return row_on_stack<kPushes>(op->count, from, std::make_integer_sequence<unsigned, kMostAlike>());
}

template <bool kLoads>
BlockPart at_pointer(const Instruction& one) {
  // A pointer that loads or stores its own half is left to the simulator, which has its own order of doing that.
  if (one.step != Step::kNone && (one.d & 0x1EU) == one.pointer) {
    return {};
  }
  switch (one.step) {
    case Step::kNone:
      return {by_pointer<kLoads, Step::kNone>, 2, Kind::kMayStop};
    case Step::kAfterwards:
      return {by_pointer<kLoads, Step::kAfterwards>, 2, Kind::kMayStop};
    case Step::kBefore:
      break;
  }
  return {by_pointer<kLoads, Step::kBefore>, 2, Kind::kMayStop};
}

template <bool kLoads, int kWords>
BlockPart at_address(const Instruction& one, const BlockCpu& cpu) {
  return is_plain_cell(cpu, one.k, kLoads) ? BlockPart{direct<kLoads, kWords>, kWords} : block_register(one, cpu);
}

BlockPart from_program(const Instruction& one) {
  if (one.step == Step::kNone) {
    return {load_program<Step::kNone>, 3, Kind::kMayStop};
  }
  // One that loads its own pointer is left to the simulator, as above.
  return (one.d & 0x1EU) == R_ZL ? BlockPart{} : BlockPart{load_program<Step::kAfterwards>, 3, Kind::kMayStop};
}

}  // namespace

MemoryRow memory_row(std::span<const Instruction> code, const BlockCpu& cpu) {
  for (const MemoryRow& one : {MemoryRow{4, false}, {4, true}, {2, false}, {2, true}}) {
    if (is_a_row(code, cpu, one.count, one.down)) {
      return one;
    }
  }
  return {};
}

BlockHandler block_memory_row(std::span<const Instruction> code, const BlockCpu& cpu) {
  const Op operation = code[0].operation;
  const bool loads = operation == Op::kLoad || operation == Op::kLoadByPointer;
  if (!loads && operation != Op::kStore && operation != Op::kStoreByPointer) {
    return nullptr;
  }
  const MemoryRow found = memory_row(code, cpu);
  if (found.count == 1) {
    return nullptr;
  }
  return loads ? row<true>(code[0], found) : row<false>(code[0], found);
}

BlockPart block_memory(const Instruction& one, const BlockCpu& cpu, const BlockOp& op) {
  switch (one.operation) {
    case Op::kLoad:
      return one.bytes == 4 ? at_address<true, 2>(one, cpu) : at_address<true, 1>(one, cpu);
    case Op::kStore:
      return one.bytes == 4 ? at_address<false, 2>(one, cpu) : at_address<false, 1>(one, cpu);
    case Op::kLoadByPointer:
      return at_pointer<true>(one);
    case Op::kStoreByPointer:
      return at_pointer<false>(one);
    case Op::kPush:
      return {row_on_stack<true>(op), 2, Kind::kMayStop};
    case Op::kPop:
      return {row_on_stack<false>(op), 2, Kind::kMayStop};
    case Op::kSetCellBit:
    case Op::kClearCellBit:
      return block_register(one, cpu);
    case Op::kLoadProgram:
      return from_program(one);
    default:
      return {};
  }
}

}  // namespace dawnrig::device
