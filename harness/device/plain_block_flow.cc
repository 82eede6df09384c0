// Program flow and memory in runs of plain instructions.
#include <array>
#include <utility>

#include "harness/device/plain_blocks_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Kind = BlockPart::Kind;
using Step = Instruction::Step;

const BlockOp* next(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  return op->go(data, op, flag, cpu);
}

unsigned word_at(const std::uint8_t* low) {
  return low[0] | (static_cast<unsigned>(low[1]) << 8U);
}
void put_word(std::uint8_t* low, unsigned word) {
  low[0] = static_cast<std::uint8_t>(word);
  low[1] = static_cast<std::uint8_t>(word >> 8U);
}
static_assert(R_SPH == R_SPL + 1, "the stack pointer is a word");

// --- Where to go on.

const BlockOp* jump(std::uint8_t* /*data*/, const BlockOp* op, std::uint8_t* /*flag*/, BlockCpu& /*cpu*/) {
  return op + op->jump;
}

template <bool kSet>
const BlockOp* branch(std::uint8_t* /*data*/, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  if ((flag[op->b] != 0) != kSet) {
    return op + 1;
  }
  --cpu.left;
  return op + op->jump;
}

enum class Skip : std::uint8_t { kIfEqual, kIfClear, kIfSet };

template <Skip kSkip>
const BlockOp* skip(std::uint8_t* data, const BlockOp* op, std::uint8_t* /*flag*/, BlockCpu& cpu) {
  const unsigned value = data[op->d];
  const bool skips =
      kSkip == Skip::kIfEqual ? value == data[op->r] : (((value >> op->b) & 1U) != 0) == (kSkip == Skip::kIfSet);
  if (!skips) {
    return op + 1;
  }
  cpu.left -= op->count;
  return op + 1 + op->count;
}

template <unsigned kBytes, int kWords>
const BlockOp* call(std::uint8_t* data, const BlockOp* op, std::uint8_t* /*flag*/, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer > cpu.avr->ramend || pointer < cpu.stack_floor + 2 * kBytes) {
    return cpu.leave(op);
  }
  const auto back = static_cast<std::uint32_t>(op - cpu.first) + kWords;
  for (unsigned i = 0; i < kBytes; ++i) {
    data[pointer - i] = static_cast<std::uint8_t>(back >> 8U * i);
  }
  put_word(data + R_SPL, pointer - kBytes);
  return op + op->jump;
}

template <unsigned kBytes>
const BlockOp* come_back(std::uint8_t* data, const BlockOp* op, std::uint8_t* /*flag*/, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer + kBytes > cpu.avr->ramend || pointer < cpu.stack_floor + kBytes) {
    return cpu.leave(op);
  }
  std::uint32_t back = 0;
  for (unsigned i = 1; i <= kBytes; ++i) {
    back = (back << 8U) | data[pointer + i];
  }
  if (back >= cpu.words) {
    return cpu.leave(op);
  }
  put_word(data + R_SPL, pointer + kBytes);
  return cpu.first + back;
}

// --- Memory.

template <bool kLoads, int kWords>
const BlockOp* direct(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  data[kLoads ? op->d : op->k] = data[kLoads ? op->k : op->d];
  return next(data, op + kWords, flag, cpu);
}

template <bool kLoads, Step kStep>
const BlockOp* by_pointer(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  const unsigned before = word_at(data + op->r);
  const unsigned address = (before + (kStep == Step::kNone ? op->k : kStep == Step::kBefore ? 0xFFFFU : 0U)) & 0xFFFFU;
  if (address - cpu.ram_start > cpu.ram_span) {
    return cpu.leave(op);
  }
  data[kLoads ? op->d : address] = data[kLoads ? address : op->d];
  if constexpr (kStep != Step::kNone) {
    put_word(data + op->r, kStep == Step::kBefore ? address : before + 1U);
  }
  return next(data, op + 1, flag, cpu);
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

template <unsigned kCount>
const BlockOp* push(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer > cpu.avr->ramend || pointer < cpu.stack_floor + kCount) {
    return cpu.leave(op);
  }
  push_all(data + pointer, data, op, std::make_integer_sequence<unsigned, kCount>());
  put_word(data + R_SPL, pointer - kCount);
  return next(data, op + kCount, flag, cpu);
}
template <unsigned kCount>
const BlockOp* pop(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer + kCount > cpu.avr->ramend || pointer < cpu.stack_floor) {
    return cpu.leave(op);
  }
  pop_all(data + pointer, data, op, std::make_integer_sequence<unsigned, kCount>());
  put_word(data + R_SPL, pointer + kCount);
  return next(data, op + kCount, flag, cpu);
}

using InARow = std::array<BlockHandler, kMostAlike>;

template <unsigned... kLess>
constexpr InARow pushes(std::integer_sequence<unsigned, kLess...> /*one less than how many*/) {
  return {push<kLess + 1>...};
}
template <unsigned... kLess>
constexpr InARow pops(std::integer_sequence<unsigned, kLess...> /*one less than how many*/) {
  return {pop<kLess + 1>...};
}
constexpr InARow kPushes = pushes(std::make_integer_sequence<unsigned, kMostAlike>());
constexpr InARow kPops = pops(std::make_integer_sequence<unsigned, kMostAlike>());

// --- The flags as a whole.

const BlockOp* read_flags(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  unsigned value = 0;
  for (unsigned bit = 0; bit < 8; ++bit) {
    value |= static_cast<unsigned>(flag[bit]) << bit;
  }
  data[R_SREG] = static_cast<std::uint8_t>(value);  // the simulator keeps a copy there when asked
  data[op->d] = static_cast<std::uint8_t>(value);
  return next(data, op + 1, flag, cpu);
}

const BlockOp* write_flags(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  const unsigned value = data[op->d];
  if (value >> 7U != flag[S_I]) {
    return cpu.leave(op);  // interrupts are enabled or disabled by this
  }
  data[R_SREG] = static_cast<std::uint8_t>(value);
  for (unsigned bit = 0; bit < 7; ++bit) {
    flag[bit] = static_cast<std::uint8_t>((value >> bit) & 1U);
  }
  return next(data, op + 1, flag, cpu);
}

const BlockOp* disable_interrupts(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu) {
  flag[S_I] = 0;
  cpu.avr->interrupt_state = 0;
  return next(data, op + 1, flag, cpu);
}

/// Memory, or a register of a peripheral with nobody behind it.
bool plain_cell(const BlockCpu& cpu, std::uint32_t address, bool loads) {
  if (address - cpu.ram_start <= cpu.ram_span) {
    return true;
  }
  const std::uint32_t io = address - 32U;
  if (address < 32U || io >= MAX_IOs || address >= cpu.ram_start || address == R_SREG) {
    return false;
  }
  const auto& cell = cpu.avr->io[io];
  return cell.irq == nullptr &&
         (loads ? cell.r.c == nullptr : cell.w.c == nullptr && address != R_SPL && address != R_SPH);
}

template <bool kLoads>
BlockPart at_address(const Instruction& one, const BlockCpu& cpu) {
  const bool far = one.bytes == 4;
  if (one.k == R_SREG && !far) {
    return {kLoads ? read_flags : write_flags, 1, kLoads ? Kind::kSure : Kind::kMayStop};
  }
  if (!plain_cell(cpu, one.k, kLoads)) {
    return {};
  }
  return far ? BlockPart{direct<kLoads, 2>, 2} : BlockPart{direct<kLoads, 1>, 1};
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

BlockPart calling(const Instruction& one, unsigned address_bytes) {
  if (one.bytes == 4) {
    return {address_bytes == 2 ? call<2, 2> : call<3, 2>, static_cast<int>(address_bytes) + 2, Kind::kEndsRun};
  }
  return {address_bytes == 2 ? call<2, 1> : call<3, 1>, static_cast<int>(address_bytes) + 1, Kind::kEndsRun};
}

}  // namespace

BlockPart block_memory(const Instruction& one, const BlockCpu& cpu, const BlockOp& op) {
  switch (one.operation) {
    case Op::kLoad:
      return at_address<true>(one, cpu);
    case Op::kStore:
      return at_address<false>(one, cpu);
    case Op::kLoadByPointer:
      return at_pointer<true>(one);
    case Op::kStoreByPointer:
      return at_pointer<false>(one);
    case Op::kPush:
      return {kPushes[op.count - 1U], 2, Kind::kMayStop};
    case Op::kPop:
      return {kPops[op.count - 1U], 2, Kind::kMayStop};
    default:
      return {};
  }
}

BlockPart block_flow(const Instruction& one, const BlockCpu& cpu) {
  const unsigned address_bytes = cpu.avr->address_size;
  switch (one.operation) {
    case Op::kBranchIfSet:
      return {branch<true>, 1, Kind::kEndsRun};
    case Op::kBranchIfClear:
      return {branch<false>, 1, Kind::kEndsRun};
    case Op::kJump:
      return {jump, one.bytes == 4 ? 3 : 2, Kind::kEndsRun};
    case Op::kCall:
      return calling(one, address_bytes);
    case Op::kReturn:
      return {address_bytes == 2 ? come_back<2> : come_back<3>, static_cast<int>(address_bytes) + 2, Kind::kEndsRun};
    case Op::kSkipIfEqual:
      return {skip<Skip::kIfEqual>, 1, Kind::kEndsRun};
    case Op::kSkipIfBitClear:
      return {skip<Skip::kIfClear>, 1, Kind::kEndsRun};
    case Op::kSkipIfBitSet:
      return {skip<Skip::kIfSet>, 1, Kind::kEndsRun};
    case Op::kClearFlag:
      return one.b == S_I ? BlockPart{disable_interrupts, 1, Kind::kSure} : BlockPart{};
    default:
      return {};
  }
}

}  // namespace dawnrig::device
