// Registers and flags of sixteen turns at once, with the simulator's arithmetic: its flags are what firmware here sees.
#include "harness/device/turn_replay_internal.h"

namespace dawnrig::device {
namespace {

using Bytes = TurnReplay::Bytes;
using Op = Operation;

Bytes bit_of_bytes(const Bytes& bytes, unsigned bit) {
  return (bytes >> static_cast<std::uint8_t>(bit)) & TurnReplay::all(1);
}
Bytes one_where(const Bytes& mask) {
  return mask & TurnReplay::all(1);
}

}  // namespace

void TurnReplay::set_sign(const Step& step, const Bytes& result) {
  set_flag(step, S_Z, one_where(reinterpret_cast<Bytes>(result == all(0))));
  set_flag(step, S_N, bit_of_bytes(result, 7));
}

void TurnReplay::add(const Step& step, const Bytes& operand, const Bytes& carry) {
  const Bytes d = read(step.one.d);
  const Bytes result = d + operand + carry;
  const Bytes carries = (d & operand) | (operand & ~result) | (~result & d);
  const Bytes overflow = bit_of_bytes((d & operand & ~result) | (~d & ~operand & result), 7);
  write(step.one.d, result);
  set_flag(step, S_H, bit_of_bytes(carries, 3));
  set_flag(step, S_C, bit_of_bytes(carries, 7));
  set_flag(step, S_V, overflow);
  set_sign(step, result);
  set_flag(step, S_S, bit_of_bytes(result, 7) ^ overflow);
}

void TurnReplay::subtract(const Step& step, const Bytes& operand, const Bytes& carry, bool keeps_zero, bool stores) {
  const Bytes d = read(step.one.d);
  const Bytes result = d - operand - carry;
  const Bytes borrows = (~d & operand) | (operand & result) | (result & ~d);
  const Bytes overflow = bit_of_bytes((d & ~operand & ~result) | (~d & operand & result), 7);
  const Bytes zero = one_where(reinterpret_cast<Bytes>(result == all(0)));
  const Bytes zero_before = keeps_zero ? read_flag(S_Z) : all(1);
  if (stores) {
    write(step.one.d, result);
  }
  set_flag(step, S_H, bit_of_bytes(borrows, 3));
  set_flag(step, S_C, bit_of_bytes(borrows, 7));
  set_flag(step, S_V, overflow);
  set_flag(step, S_Z, zero & zero_before);
  set_flag(step, S_N, bit_of_bytes(result, 7));
  set_flag(step, S_S, bit_of_bytes(result, 7) ^ overflow);
}

void TurnReplay::shift_right(const Step& step, const Bytes& result) {
  const Bytes carry = read(step.one.d) & all(1);
  const Bytes negative = bit_of_bytes(result, 7);
  write(step.one.d, result);
  set_flag(step, S_C, carry);
  set_flag(step, S_V, negative ^ carry);
  set_sign(step, result);
  set_flag(step, S_S, carry);  // N exclusive or V
}

bool TurnReplay::arithmetic(const Step& step) {
  const Instruction& one = step.one;
  const auto logic = [this, &step](const Bytes& result) {
    write(step.one.d, result);
    set_flag(step, S_V, all(0));
    set_sign(step, result);
    set_flag(step, S_S, bit_of_bytes(result, 7));
  };
  switch (one.operation) {
    case Op::kAdd:
      add(step, read(one.r), all(0));
      return true;
    case Op::kAdc:
      add(step, read(one.r), read_flag(S_C));
      return true;
    case Op::kSub:
    case Op::kCp:
      subtract(step, read(one.r), all(0), false, one.operation == Op::kSub);
      return true;
    case Op::kSbc:
    case Op::kCpc:
      subtract(step, read(one.r), read_flag(S_C), true, one.operation == Op::kSbc);
      return true;
    case Op::kSubi:
    case Op::kCpi:
      subtract(step, all(one.k), all(0), false, one.operation == Op::kSubi);
      return true;
    case Op::kSbci:
      subtract(step, all(one.k), read_flag(S_C), true, true);
      return true;
    case Op::kAnd:
      logic(read(one.d) & read(one.r));
      return true;
    case Op::kOr:
      logic(read(one.d) | read(one.r));
      return true;
    case Op::kEor:
      logic(read(one.d) ^ read(one.r));
      return true;
    case Op::kAndi:
      logic(read(one.d) & all(one.k));
      return true;
    case Op::kOri:
      logic(read(one.d) | all(one.k));
      return true;
    case Op::kMov:
      write(one.d, read(one.r));
      return true;
    case Op::kMovw:
      write(one.d, read(one.r));
      write(one.d + 1U, read(one.r + 1U));
      return true;
    case Op::kLdi:
      write(one.d, all(one.k));
      return true;
    default:
      return false;
  }
}

void TurnReplay::negate(const Step& step) {
  const Bytes d = read(step.one.d);
  const Bytes result = all(0) - read(step.one.d);
  const Bytes overflow = one_where(reinterpret_cast<Bytes>(result == all(0x80)));
  write(step.one.d, result);
  set_flag(step, S_H, bit_of_bytes(result | d, 3));
  set_flag(step, S_V, overflow);
  set_flag(step, S_C, one_where(reinterpret_cast<Bytes>(result != all(0))));
  set_sign(step, result);
  set_flag(step, S_S, bit_of_bytes(result, 7) ^ overflow);
}

void TurnReplay::word(const Step& step) {
  const Instruction& one = step.one;
  const bool adds = one.operation == Op::kAdiw;
  const Bytes low = read(one.d);
  const Bytes high = read(one.d + 1U);
  const Bytes new_low = adds ? low + all(one.k) : low - all(one.k);
  const Bytes wrapped = one_where(reinterpret_cast<Bytes>(adds ? new_low < low : new_low > low));
  const Bytes new_high = adds ? high + wrapped : high - wrapped;
  const Bytes overflow = bit_of_bytes(adds ? ~high & new_high : high & ~new_high, 7);
  const Bytes carry = bit_of_bytes(adds ? ~new_high & high : new_high & ~high, 7);
  write(one.d, new_low);
  write(one.d + 1U, new_high);
  set_flag(step, S_V, overflow);
  set_flag(step, S_C, carry);
  set_flag(step, S_Z, one_where(reinterpret_cast<Bytes>((new_low | new_high) == all(0))));
  set_flag(step, S_N, bit_of_bytes(new_high, 7));
  set_flag(step, S_S, bit_of_bytes(new_high, 7) ^ overflow);
}

bool TurnReplay::one_operand(const Step& step) {
  const Instruction& one = step.one;
  const Bytes d = registers_[one.d];
  const auto by_one = [this, &step](const Bytes& result, unsigned overflows_to) {
    const Bytes overflow = one_where(reinterpret_cast<Bytes>(result == all(overflows_to)));
    write(step.one.d, result);
    set_flag(step, S_V, overflow);
    set_sign(step, result);
    set_flag(step, S_S, bit_of_bytes(result, 7) ^ overflow);
  };
  switch (one.operation) {
    case Op::kInc:
      by_one(read(one.d) + all(1), 0x80);
      return true;
    case Op::kDec:
      by_one(read(one.d) - all(1), 0x7F);
      return true;
    case Op::kCom: {
      const Bytes result = ~read(one.d);
      write(one.d, result);
      set_flag(step, S_V, all(0));
      set_flag(step, S_C, all(1));
      set_sign(step, result);
      set_flag(step, S_S, bit_of_bytes(result, 7));
      return true;
    }
    case Op::kNeg:
      negate(step);
      return true;
    case Op::kSwap:
      write(one.d, (read(one.d) << 4) | (d >> 4));
      return true;
    case Op::kLsr:
      shift_right(step, read(one.d) >> 1);
      return true;
    case Op::kAsr:
      shift_right(step, (read(one.d) >> 1) | (d & all(0x80)));
      return true;
    case Op::kRor:
      shift_right(step, (read_flag(S_C) << 7) | (read(one.d) >> 1));
      return true;
    case Op::kAdiw:
    case Op::kSbiw:
      word(step);
      return true;
    case Op::kBst:
      set_flag(step, S_T, bit_of_bytes(read(one.d), one.b));
      return true;
    case Op::kBld:
      write(one.d, (read(one.d) & ~all(1U << one.b)) | (read_flag(S_T) << one.b));
      return true;
    case Op::kSetFlag:
    case Op::kClearFlag:
      set_flag(step, one.b, all(one.operation == Op::kSetFlag ? 1 : 0));
      return true;
    default:
      return false;
  }
}

}  // namespace dawnrig::device
