// How compilers begin and end an interrupt routine, as one: two registers and the flags saved, a zero made; and back.
// Whatever is not as usual goes instruction by instruction.
#include <cstring>

#include "harness/device/interrupts_internal.h"
#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;

constexpr unsigned kSaved = 3;  // bytes: both registers and the flags

// push a; push b; in b, SREG; push b; eor a, a
const BlockOp* begin_routine(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const unsigned pointer = word_at(data + R_SPL);
  if (pointer - cpu.stack_floor - kSaved > cpu.stack_span - kSaved) {
    return cpu.leave(op);
  }
  const unsigned flags = work::packed_flags(cpu.flag);
  data[pointer] = data[op[0].d];
  data[pointer - 1U] = data[op[1].d];
  data[pointer - 2U] = static_cast<std::uint8_t>(flags);
  data[R_SREG] = static_cast<std::uint8_t>(flags);
  data[op[1].d] = static_cast<std::uint8_t>(flags);
  data[op[0].d] = 0;
  put_word(data + R_SPL, pointer - kSaved);
  work::put_signs(cpu.flag, 0);
  return go_on(data, op + 5, cpu);
}

// out SREG, b; pop b; pop a; reti
template <unsigned kBytes>
const BlockOp* end_routine(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  constexpr unsigned kPopped = 2 + kBytes;
  const unsigned flags = data[op->d];
  const unsigned pointer = word_at(data + R_SPL);
  const bool on_stack = pointer - cpu.stack_floor <= cpu.stack_span - kPopped;
  const std::uint32_t back = on_stack ? work::address_on_stack<kBytes>(data + pointer + 3U) : cpu.words;
  // None waits, and none comes with the end: then it makes no difference where on the way they are enabled.
  const bool quiet = !interrupt_pending(cpu.avr) && cpu.left > 0;
  if (!quiet || back >= cpu.words || !end_interrupt_unheard(cpu.avr)) {
    return write_flags(data, op, cpu);
  }
  data[R_SREG] = static_cast<std::uint8_t>(flags);
  work::unpack_flags(cpu.flag, flags);
  data[op[1].d] = data[pointer + 1U];
  data[op[2].d] = data[pointer + 2U];
  put_word(data + R_SPL, pointer + kPopped);
  cpu.flag[S_I] = 1;
  cpu.avr->interrupt_state = 0;
  return go_to(data, cpu.first + back, cpu);
}

bool reads_flags(const Instruction& one) {
  return one.operation == Op::kLoad && one.bytes == 2 && one.k == R_SREG;
}
bool writes_flags(const Instruction& one) {
  return one.operation == Op::kStore && one.bytes == 2 && one.k == R_SREG;
}

}  // namespace

BlockHandler block_routine(std::span<const Instruction> code, const BlockCpu& cpu) {
  const auto is = [code](std::size_t at, Op operation, unsigned d) {
    return code[at].operation == operation && code[at].d == d;
  };
  if (code.size() >= 5 && code[0].operation == Op::kPush && code[1].operation == Op::kPush && code[0].d != code[1].d &&
      reads_flags(code[2]) && code[2].d == code[1].d && is(3, Op::kPush, code[1].d) && is(4, Op::kEor, code[0].d) &&
      code[4].r == code[0].d) {
    return begin_routine;
  }
  if (code.size() >= 4 && writes_flags(code[0]) && code[1].operation == Op::kPop && code[2].operation == Op::kPop &&
      code[3].operation == Op::kReturnFromInterrupt) {
    return cpu.avr->address_size == 2 ? end_routine<2> : end_routine<3>;
  }
  return nullptr;
}

}  // namespace dawnrig::device
