// Program flow and memory in runs of plain instructions.
#include <array>
#include <cstring>
#include <utility>

#include "harness/device/plain_blocks_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Kind = BlockPart::Kind;
using Step = Instruction::Step;

constexpr std::uint32_t kRegisters = 32;  // those of the processor, ahead of the peripherals' in data memory

const BlockOp* next(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return op->go(data, op, cpu);
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

const BlockOp* jump(std::uint8_t* /*data*/, const BlockOp* op, BlockCpu& /*cpu*/) {
  return op->target();
}
const BlockOp* jump_and_go_on(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return next(data, op->target(), cpu);
}

// Instead of the rest of the run, this much time passes.
const BlockOp* leave_for(const BlockOp* target, const BlockOp* op, Cycle cycles, BlockCpu& cpu) {
  cpu.left = cpu.left + op->rest - cycles;
  return target;
}

template <bool kSet>
const BlockOp* branch(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return (cpu.flag[op->b] != 0) == kSet ? leave_for(op->target(), op, 2, cpu) : next(data, op + 1, cpu);
}

enum class Skip : std::uint8_t { kIfEqual, kIfClear, kIfSet };

template <Skip kSkip>
const BlockOp* skip(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned value = data[op->d];
  const bool skips =
      kSkip == Skip::kIfEqual ? value == data[op->r] : (((value >> op->b) & 1U) != 0) == (kSkip == Skip::kIfSet);
  return skips ? leave_for(op + 1 + op->count, op, 1 + op->count, cpu) : next(data, op + 1, cpu);
}

template <unsigned kBytes, int kWords, bool kGoesOn>
const BlockOp* call(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer > cpu.avr->ramend || pointer < cpu.stack_floor + 2 * kBytes) {
    return cpu.leave(op);
  }
  const auto back = static_cast<std::uint32_t>(op - cpu.first) + kWords;
  for (unsigned i = 0; i < kBytes; ++i) {
    data[pointer - i] = static_cast<std::uint8_t>(back >> (8U * i));
  }
  put_word(data + R_SPL, pointer - kBytes);
  return kGoesOn ? next(data, op->target(), cpu) : op->target();
}

template <unsigned kBytes>
const BlockOp* come_back(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
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
const BlockOp* direct(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  data[kLoads ? op->d : op->k] = data[kLoads ? op->k : op->d];
  return next(data, op + kWords, cpu);
}

template <bool kLoads, Step kStep>
const BlockOp* by_pointer(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned before = word_at(data + op->r);
  const unsigned address = (before + (kStep == Step::kNone ? op->k : kStep == Step::kBefore ? 0xFFFFU : 0U)) & 0xFFFFU;
  if (address - cpu.ram_start > cpu.ram_span) {
    return cpu.leave(op);
  }
  data[kLoads ? op->d : address] = data[kLoads ? address : op->d];
  if constexpr (kStep != Step::kNone) {
    put_word(data + op->r, kStep == Step::kBefore ? address : before + 1U);
  }
  return next(data, op + 1, cpu);
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
const BlockOp* push(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer > cpu.avr->ramend || pointer < cpu.stack_floor + kCount) {
    return cpu.leave(op);
  }
  push_all(data + pointer, data, op, std::make_integer_sequence<unsigned, kCount>());
  put_word(data + R_SPL, pointer - kCount);
  return next(data, op + kCount, cpu);
}
template <unsigned kCount>
const BlockOp* pop(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer + kCount > cpu.avr->ramend || pointer < cpu.stack_floor) {
    return cpu.leave(op);
  }
  pop_all(data + pointer, data, op, std::make_integer_sequence<unsigned, kCount>());
  put_word(data + R_SPL, pointer + kCount);
  return next(data, op + kCount, cpu);
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

const BlockOp* read_flags(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  unsigned value = 0;
  for (unsigned bit = 0; bit < 8; ++bit) {
    value |= static_cast<unsigned>(cpu.flag[bit]) << bit;
  }
  data[R_SREG] = static_cast<std::uint8_t>(value);  // the simulator keeps a copy there when asked
  data[op->d] = static_cast<std::uint8_t>(value);
  return next(data, op + 1, cpu);
}

const BlockOp* write_flags(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned value = data[op->d];
  if (value >> 7U != cpu.flag[S_I]) {
    return cpu.leave(op);  // interrupts are enabled or disabled by this
  }
  data[R_SREG] = static_cast<std::uint8_t>(value);
  for (unsigned bit = 0; bit < 7; ++bit) {
    cpu.flag[bit] = static_cast<std::uint8_t>((value >> bit) & 1U);
  }
  return next(data, op + 1, cpu);
}

const BlockOp* disable_interrupts(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  cpu.flag[S_I] = 0;
  cpu.avr->interrupt_state = 0;
  return next(data, op + 1, cpu);
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

template <unsigned kBytes, int kWords>
BlockPart calling(bool goes_on) {
  const int cycles = static_cast<int>(kBytes) + kWords;
  return goes_on ? BlockPart{call<kBytes, kWords, true>, cycles, Kind::kMayStop}
                 : BlockPart{call<kBytes, kWords, false>, cycles, Kind::kEndsRun};
}

// --- Registers of peripherals. Who owns one is asked as the simulator would ask: at the instant at which the
// instruction begins, with the program counter still before it. What comes of that may move the next event.

void show_processor(const BlockOp* op, const BlockCpu& cpu) {
  avr_t* const avr = cpu.avr;
  avr->pc = static_cast<avr_flashaddr_t>(op - cpu.first) * 2U;
  avr->cycle = static_cast<avr_cycle_count_t>(cpu.until - cpu.left - op->rest);
  std::memcpy(avr->sreg, cpu.flag, sizeof cpu.flag);
}
const BlockOp* look_around(const BlockOp* after, BlockCpu& cpu) {
  const Cycle until = first_event(cpu.avr, cpu.limit);
  cpu.left += until - cpu.until;
  cpu.until = until;
  if (disturbed(cpu.avr)) {
    cpu.stopped_at = after;
    return nullptr;
  }
  return after;
}

template <int kWords>
const BlockOp* read_register(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  show_processor(op, cpu);
  const auto& owner = cpu.avr->io[op->k - kRegisters].r;
  data[op->k] = owner.c(cpu.avr, op->k, owner.param);
  data[op->d] = data[op->k];
  return look_around(op + kWords, cpu);
}
template <int kWords>
const BlockOp* write_register(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  show_processor(op, cpu);
  const auto& owner = cpu.avr->io[op->k - kRegisters].w;
  owner.c(cpu.avr, op->k, data[op->d], owner.param);
  return look_around(cpu.avr->state == cpu_Crashed ? op : op + kWords, cpu);
}

enum class Cell : std::uint8_t { kPlain, kOwned, kNotPlain };

Cell cell_at(const BlockCpu& cpu, std::uint32_t address, bool loads) {
  if (address - cpu.ram_start <= cpu.ram_span) {
    return Cell::kPlain;
  }
  const std::uint32_t io = address - kRegisters;
  const bool moves_stack = !loads && (address == R_SPL || address == R_SPH);
  if (address < kRegisters || io >= MAX_IOs || address >= cpu.ram_start || address == R_SREG || moves_stack ||
      cpu.avr->io[io].irq != nullptr) {
    return Cell::kNotPlain;
  }
  const auto& cell = cpu.avr->io[io];
  return (loads ? cell.r.c == nullptr : cell.w.c == nullptr) ? Cell::kPlain : Cell::kOwned;
}

template <bool kLoads, int kWords>
BlockPart at_address(const Instruction& one, const BlockCpu& cpu) {
  if (one.k == R_SREG && kWords == 1) {
    return {kLoads ? read_flags : write_flags, 1, kLoads ? Kind::kSure : Kind::kMayStop};
  }
  switch (cell_at(cpu, one.k, kLoads)) {
    case Cell::kPlain:
      return {direct<kLoads, kWords>, kWords};
    case Cell::kOwned:
      return {kLoads ? read_register<kWords> : write_register<kWords>, kWords, Kind::kEndsRun};
    case Cell::kNotPlain:
      break;
  }
  return {};
}

}  // namespace

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
      return {kPushes[op.count - 1U], 2, Kind::kMayStop};
    case Op::kPop:
      return {kPops[op.count - 1U], 2, Kind::kMayStop};
    default:
      return {};
  }
}

BlockPart block_flow(const Instruction& one, const BlockCpu& cpu, bool goes_on) {
  const bool short_address = cpu.avr->address_size == 2;
  const bool far = one.bytes == 4;
  switch (one.operation) {
    case Op::kBranchIfSet:
      return {branch<true>, 1, Kind::kBranches};
    case Op::kBranchIfClear:
      return {branch<false>, 1, Kind::kBranches};
    case Op::kJump:
      return {goes_on ? jump_and_go_on : jump, far ? 3 : 2, goes_on ? Kind::kSure : Kind::kEndsRun};
    case Op::kCall:
      return far ? (short_address ? calling<2, 2>(goes_on) : calling<3, 2>(goes_on))
                 : (short_address ? calling<2, 1>(goes_on) : calling<3, 1>(goes_on));
    case Op::kReturn:
      return {short_address ? come_back<2> : come_back<3>, short_address ? 4 : 5, Kind::kEndsRun};
    case Op::kSkipIfEqual:
      return {skip<Skip::kIfEqual>, 1, Kind::kBranches};
    case Op::kSkipIfBitClear:
      return {skip<Skip::kIfClear>, 1, Kind::kBranches};
    case Op::kSkipIfBitSet:
      return {skip<Skip::kIfSet>, 1, Kind::kBranches};
    case Op::kClearFlag:
      return one.b == S_I ? BlockPart{disable_interrupts, 1, Kind::kSure} : BlockPart{};
    default:
      return {};
  }
}

}  // namespace dawnrig::device
