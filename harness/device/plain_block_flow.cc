// Program flow, the flags as a whole and that of interrupts in runs of plain instructions.
#include "harness/device/interrupts_internal.h"
#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Kind = BlockPart::Kind;

const BlockOp* jump(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return go_to(data, op->target(), cpu);
}
const BlockOp* jump_and_go_on(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return go_on(data, op->target(), cpu);
}

// Instead of the rest of the run, this much time passes.
const BlockOp* leave_for(std::uint8_t* data, const BlockOp* target, const BlockOp* op, Cycle cycles, BlockCpu& cpu) {
  cpu.left = cpu.left + op->rest - cycles;
  return go_to(data, target, cpu);
}

template <bool kSet>
const BlockOp* branch(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return (cpu.flag[op->b] != 0) == kSet ? take_branch(data, op, cpu) : go_on(data, op + 1, cpu);
}

enum class Skip : std::uint8_t { kIfEqual, kIfClear, kIfSet };

template <Skip kSkip>
const BlockOp* skip(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned value = data[op->d];
  const bool skips =
      kSkip == Skip::kIfEqual ? value == data[op->r] : (((value >> op->b) & 1U) != 0) == (kSkip == Skip::kIfSet);
  return skips ? leave_for(data, op + 1 + op->count, op, 1 + op->count, cpu) : go_on(data, op + 1, cpu);
}

template <unsigned kBytes, int kWords, bool kGoesOn>
const BlockOp* call(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer - cpu.stack_floor - 2 * kBytes > cpu.stack_span - 2 * kBytes) {
    return cpu.leave(op);
  }
  const std::uint32_t back = kBytes == 2 ? op->k : static_cast<std::uint32_t>(op - cpu.first) + kWords;
  put_word(data + pointer - 1U, work::swapped(back));
  if constexpr (kBytes == 3) {
    data[pointer - 2U] = static_cast<std::uint8_t>(back >> 16U);
  }
  put_word(data + R_SPL, pointer - kBytes);
  return kGoesOn ? go_on(data, op->target(), cpu) : go_to(data, op->target(), cpu);
}

template <unsigned kBytes, class Back>
const BlockOp* pop_back_address(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu, Back then) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer - cpu.stack_floor > cpu.stack_span - kBytes) {
    return cpu.leave(op);
  }
  const std::uint32_t back = work::address_on_stack<kBytes>(data + pointer + 1U);
  if (back >= cpu.words) {
    return cpu.leave(op);
  }
  put_word(data + R_SPL, pointer + kBytes);
  return then(cpu.first + back);
}

template <unsigned kBytes>
const BlockOp* come_back(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return pop_back_address<kBytes>(data, op, cpu, [&](const BlockOp* back) { return go_to(data, back, cpu); });
}

// --- Flags.

const BlockOp* read_flags(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned value = work::packed_flags(cpu.flag);
  data[R_SREG] = static_cast<std::uint8_t>(value);  // the simulator keeps a copy there when asked
  data[op->d] = static_cast<std::uint8_t>(value);
  return go_on(data, op + 1, cpu);
}

// One more instruction is executed before an interrupt that waits is served. If none waits, and none comes with an
// event that is due at the end of this instruction, that makes no difference.
bool enables_quietly(const BlockOp* op, Cycle cycles, const BlockCpu& cpu) {
  return !interrupt_pending(cpu.avr) && cpu.left + op->rest > cycles;
}

const BlockOp* enable_interrupts(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  if (cpu.flag[S_I] == 0) {
    if (!enables_quietly(op, 1, cpu)) {
      return cpu.leave(op);
    }
    cpu.avr->interrupt_state = 0;
    cpu.flag[S_I] = 1;
  }
  return go_on(data, op + 1, cpu);
}
const BlockOp* disable_interrupts(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  cpu.flag[S_I] = 0;
  cpu.avr->interrupt_state = 0;
  return go_on(data, op + 1, cpu);
}

[[gnu::noinline]] const BlockOp* end_interrupt_and_go(std::uint8_t* data, const BlockOp* back, BlockCpu& cpu) {
  end_interrupt(cpu.avr);
  return go_to(data, back, cpu);
}

template <unsigned kBytes>
const BlockOp* come_back_from_interrupt(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  if (cpu.flag[S_I] == 0 && !enables_quietly(op, kBytes + 2, cpu)) {
    return cpu.leave(op);
  }
  return pop_back_address<kBytes>(data, op, cpu, [&](const BlockOp* back) {
    cpu.avr->interrupt_state = cpu.flag[S_I] == 0 ? std::int8_t{0} : cpu.avr->interrupt_state;
    cpu.flag[S_I] = 1;
    return end_interrupt_unheard(cpu.avr) ? go_to(data, back, cpu) : end_interrupt_and_go(data, back, cpu);
  });
}

// Whoever keeps the time has to know that the processor sleeps, and may pass its sleep at once.
const BlockOp* sleep(std::uint8_t* /*data*/, const BlockOp* op, BlockCpu& cpu) {
  if (interrupt_pending(cpu.avr) && cpu.flag[S_I] != 0) {
    return op + 1;
  }
  cpu.avr->state = cpu_Sleeping;
  if (cpu.owner->sleeps_through()) {
    return cpu.owner->sleep_through(op + 1);
  }
  cpu.stopped_at = op + 1;
  return nullptr;
}

template <unsigned kBytes, int kWords>
BlockPart calling(bool goes_on) {
  const int cycles = static_cast<int>(kBytes) + kWords;
  return goes_on ? BlockPart{call<kBytes, kWords, true>, cycles, Kind::kMayStop}
                 : BlockPart{call<kBytes, kWords, false>, cycles, Kind::kEndsRun};
}

}  // namespace

const BlockOp* write_flags(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned value = data[op->d];
  if (value >> 7U != cpu.flag[S_I]) {
    if (value >> 7U != 0 && !enables_quietly(op, 1, cpu)) {
      return cpu.leave(op);
    }
    cpu.avr->interrupt_state = 0;
  }
  data[R_SREG] = static_cast<std::uint8_t>(value);
  work::unpack_flags(cpu.flag, value);
  return go_on(data, op + 1, cpu);
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
    case Op::kReturnFromInterrupt:
      return {short_address ? come_back_from_interrupt<2> : come_back_from_interrupt<3>, short_address ? 4 : 5,
              Kind::kEndsRun};
    case Op::kLoad:
      return one.k == R_SREG && !far ? BlockPart{read_flags, 1, Kind::kSure} : BlockPart{};
    case Op::kStore:
      return one.k == R_SREG && !far ? BlockPart{write_flags, 1, Kind::kMayStop} : BlockPart{};
    case Op::kSetFlag:
      return one.b == S_I ? BlockPart{enable_interrupts, 1, Kind::kMayStop} : BlockPart{};
    case Op::kClearFlag:
      return one.b == S_I ? BlockPart{disable_interrupts, 1, Kind::kSure} : BlockPart{};
    case Op::kSleep:
      return {sleep, 1, Kind::kEndsRun};
    default:
      return {};
  }
}

}  // namespace dawnrig::device
