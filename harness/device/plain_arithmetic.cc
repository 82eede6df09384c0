// Registers and flags of the plain runner, with the simulator's arithmetic: its flags are what firmware here sees.
#include "harness/device/plain_runner_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Cpu = PlainRunner::Processor;

std::uint8_t bit(unsigned value, unsigned number) {
  return static_cast<std::uint8_t>((value >> number) & 1U);
}

// To the compiler a store of a byte may change any member: pointers held in locals are not read again after each.
void set_sign(std::uint8_t* flag, unsigned result, std::uint8_t overflow) {
  const std::uint8_t negative = bit(result, 7);
  flag[S_V] = overflow;
  flag[S_Z] = (result & 0xFFU) == 0;
  flag[S_N] = negative;
  flag[S_S] = negative ^ overflow;
}

int add(Cpu& cpu, unsigned d, unsigned operand, unsigned carry) {
  const unsigned before = cpu.data[d];
  const unsigned result = (before + operand + carry) & 0xFFU;
  const unsigned carries = (before & operand) | (operand & ~result) | (~result & before);
  std::uint8_t* const flag = cpu.flag;
  cpu.data[d] = static_cast<std::uint8_t>(result);
  flag[S_H] = bit(carries, 3);
  flag[S_C] = bit(carries, 7);
  set_sign(flag, result, bit((before & operand & ~result) | (~before & ~operand & result), 7));
  return 1;
}

std::uint8_t less(Cpu& cpu, unsigned d, unsigned operand, unsigned carry, bool keeps_zero) {
  const unsigned before = cpu.data[d];
  const unsigned result = (before - operand - carry) & 0xFFU;
  const unsigned borrows = (~before & operand) | (operand & result) | (result & ~before);
  std::uint8_t* const flag = cpu.flag;
  const std::uint8_t zero_before = keeps_zero ? flag[S_Z] : 1;
  flag[S_H] = bit(borrows, 3);
  flag[S_C] = bit(borrows, 7);
  set_sign(flag, result, bit((before & ~operand & ~result) | (~before & operand & result), 7));
  flag[S_Z] &= zero_before;
  return static_cast<std::uint8_t>(result);
}

int logic(Cpu& cpu, unsigned d, unsigned result) {
  cpu.data[d] = static_cast<std::uint8_t>(result);
  set_sign(cpu.flag, result, 0);
  return 1;
}

int shift_right(Cpu& cpu, unsigned d, unsigned result) {
  const std::uint8_t carry = cpu.data[d] & 1U;
  cpu.data[d] = static_cast<std::uint8_t>(result);
  std::uint8_t* const flag = cpu.flag;
  flag[S_C] = carry;
  set_sign(flag, result, bit(result, 7) ^ carry);
  return 1;
}

template <bool kUp>
int step(Cpu& cpu, const Instruction& one) {
  const unsigned result = (kUp ? cpu.data[one.d] + 1U : cpu.data[one.d] - 1U) & 0xFFU;
  cpu.data[one.d] = static_cast<std::uint8_t>(result);
  set_sign(cpu.flag, result, result == (kUp ? 0x80U : 0x7FU));
  return 1;
}

template <bool kAdds>
int word(Cpu& cpu, const Instruction& one) {
  const unsigned before = cpu.data[one.d] | (cpu.data[one.d + 1U] << 8U);
  const unsigned result = (kAdds ? before + one.k : before - one.k) & 0xFFFFU;
  const unsigned gained = ~before & result;
  const unsigned lost = before & ~result;
  cpu.data[one.d] = static_cast<std::uint8_t>(result);
  cpu.data[one.d + 1U] = static_cast<std::uint8_t>(result >> 8U);
  cpu.flag[S_V] = bit(kAdds ? gained : lost, 15);
  cpu.flag[S_C] = bit(kAdds ? lost : gained, 15);
  cpu.flag[S_Z] = result == 0;
  cpu.flag[S_N] = bit(result, 15);
  cpu.flag[S_S] = cpu.flag[S_N] ^ cpu.flag[S_V];
  return 2;
}

int negate(Cpu& cpu, const Instruction& one) {
  const unsigned before = cpu.data[one.d];
  const unsigned result = (0U - before) & 0xFFU;
  std::uint8_t* const flag = cpu.flag;
  cpu.data[one.d] = static_cast<std::uint8_t>(result);
  flag[S_H] = bit(result | before, 3);
  flag[S_C] = result != 0;
  set_sign(flag, result, result == 0x80U);
  return 1;
}

int multiply(Cpu& cpu, const Instruction& one) {
  const unsigned product = static_cast<unsigned>(cpu.data[one.d]) * cpu.data[one.r];
  cpu.data[0] = static_cast<std::uint8_t>(product);
  cpu.data[1] = static_cast<std::uint8_t>(product >> 8U);
  cpu.flag[S_Z] = product == 0;
  cpu.flag[S_C] = bit(product, 15);
  return 2;
}

int move_word(Cpu& cpu, const Instruction& one) {
  const std::uint8_t low = cpu.data[one.r];
  const std::uint8_t high = cpu.data[one.r + 1U];
  cpu.data[one.d] = low;
  cpu.data[one.d + 1U] = high;
  return 1;
}

int not_plain(Cpu& /*cpu*/, const Instruction& /*one*/) {
  return PlainRunner::kNotPlain;
}

PlainRunner::Execute two_operands(Op operation) {
  switch (operation) {
    case Op::kAdd:
      return [](Cpu& cpu, const Instruction& one) { return add(cpu, one.d, cpu.data[one.r], 0); };
    case Op::kAdc:
      return [](Cpu& cpu, const Instruction& one) { return add(cpu, one.d, cpu.data[one.r], cpu.flag[S_C]); };
    case Op::kSub:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.data[one.d] = less(cpu, one.d, cpu.data[one.r], 0, false);
        return 1;
      };
    case Op::kSbc:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.data[one.d] = less(cpu, one.d, cpu.data[one.r], cpu.flag[S_C], true);
        return 1;
      };
    case Op::kCp:
      return [](Cpu& cpu, const Instruction& one) {
        (void)less(cpu, one.d, cpu.data[one.r], 0, false);
        return 1;
      };
    case Op::kCpc:
      return [](Cpu& cpu, const Instruction& one) {
        (void)less(cpu, one.d, cpu.data[one.r], cpu.flag[S_C], true);
        return 1;
      };
    case Op::kAnd:
      return [](Cpu& cpu, const Instruction& one) { return logic(cpu, one.d, cpu.data[one.d] & cpu.data[one.r]); };
    case Op::kOr:
      return [](Cpu& cpu, const Instruction& one) { return logic(cpu, one.d, cpu.data[one.d] | cpu.data[one.r]); };
    case Op::kEor:
      return [](Cpu& cpu, const Instruction& one) { return logic(cpu, one.d, cpu.data[one.d] ^ cpu.data[one.r]); };
    case Op::kMov:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.data[one.d] = cpu.data[one.r];
        return 1;
      };
    case Op::kMovw:
      return move_word;
    default:
      return not_plain;
  }
}

PlainRunner::Execute one_operand(Op operation) {
  switch (operation) {
    case Op::kInc:
      return step<true>;
    case Op::kDec:
      return step<false>;
    case Op::kCom:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.flag[S_C] = 1;
        return logic(cpu, one.d, ~static_cast<unsigned>(cpu.data[one.d]) & 0xFFU);
      };
    case Op::kNeg:
      return negate;
    case Op::kSwap:
      return [](Cpu& cpu, const Instruction& one) {
        const unsigned before = cpu.data[one.d];
        cpu.data[one.d] = static_cast<std::uint8_t>((before << 4U) | (before >> 4U));
        return 1;
      };
    case Op::kAsr:
      return [](Cpu& cpu, const Instruction& one) {
        const unsigned before = cpu.data[one.d];
        return shift_right(cpu, one.d, (before >> 1U) | (before & 0x80U));
      };
    case Op::kLsr:
      return [](Cpu& cpu, const Instruction& one) { return shift_right(cpu, one.d, cpu.data[one.d] >> 1U); };
    case Op::kRor:
      return [](Cpu& cpu, const Instruction& one) {
        return shift_right(cpu, one.d, (cpu.data[one.d] >> 1U) | (static_cast<unsigned>(cpu.flag[S_C]) << 7U));
      };
    default:
      return two_operands(operation);
  }
}

PlainRunner::Execute bits(const Instruction& which) {
  switch (which.operation) {
    case Op::kBld:
      return [](Cpu& cpu, const Instruction& one) {
        const unsigned mask = 1U << one.b;
        const unsigned put = static_cast<unsigned>(cpu.flag[S_T]) << one.b;
        cpu.data[one.d] = static_cast<std::uint8_t>((cpu.data[one.d] & ~mask) | put);
        return 1;
      };
    case Op::kBst:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.flag[S_T] = bit(cpu.data[one.d], one.b);
        return 1;
      };
    case Op::kSetFlag:
    case Op::kClearFlag:
      if (which.b == S_I) {
        return plain_flow(which);
      }
      return [](Cpu& cpu, const Instruction& one) {
        cpu.flag[one.b] = one.operation == Op::kSetFlag ? 1 : 0;
        return 1;
      };
    default:
      return one_operand(which.operation);
  }
}

}  // namespace

PlainRunner::Execute plain_arithmetic(const Instruction& which) {
  switch (which.operation) {
    case Op::kMul:  // of the six, the signed and fractional ones are rare
      return which.b == 0 ? multiply : not_plain;
    case Op::kLdi:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.data[one.d] = static_cast<std::uint8_t>(one.k);
        return 1;
      };
    case Op::kCpi:
      return [](Cpu& cpu, const Instruction& one) {
        (void)less(cpu, one.d, one.k, 0, false);
        return 1;
      };
    case Op::kSubi:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.data[one.d] = less(cpu, one.d, one.k, 0, false);
        return 1;
      };
    case Op::kSbci:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.data[one.d] = less(cpu, one.d, one.k, cpu.flag[S_C], true);
        return 1;
      };
    case Op::kAndi:
      return [](Cpu& cpu, const Instruction& one) { return logic(cpu, one.d, cpu.data[one.d] & one.k); };
    case Op::kOri:
      return [](Cpu& cpu, const Instruction& one) { return logic(cpu, one.d, cpu.data[one.d] | one.k); };
    case Op::kAdiw:
      return word<true>;
    case Op::kSbiw:
      return word<false>;
    default:
      return bits(which);
  }
}

}  // namespace dawnrig::device
