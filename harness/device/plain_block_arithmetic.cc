// Registers and flags in runs of plain instructions. Each comes in as many forms as there are sets of flags worth
// working out.
#include <algorithm>

#include "harness/device/plain_block_forms_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using forms::form;
using forms::in_form;
using forms::then;
using work::Difference;
using work::Flags;
using work::Logic;
using work::put_signs;
using work::Step;
using work::Sum;
using work::With;

enum class Shift : std::uint8_t { kLogical, kArithmetic, kRotating };

template <Shift kShift, Flags kFlags>
void shift(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned a = data[op.d];
  const unsigned top = kShift == Shift::kLogical      ? 0U
                       : kShift == Shift::kArithmetic ? a & 0x80U
                                                      : static_cast<unsigned>(flag[S_C]) << 7U;
  const unsigned result = (a >> 1U) | top;
  data[op.d] = static_cast<std::uint8_t>(result);
  if constexpr (kFlags != Flags::kNone) {
    flag[S_C] = a & 1U;
  }
  if constexpr (kFlags == Flags::kAll) {
    put_signs(flag, result | ((((result >> 7U) ^ a) & 1U) << 8U));
  }
}

template <Flags kFlags>
void complement(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned result = data[op.d] ^ 0xFFU;
  data[op.d] = static_cast<std::uint8_t>(result);
  if constexpr (kFlags != Flags::kNone) {
    flag[S_C] = 1;
    put_signs(flag, result);
  }
}

void negate(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned before = data[op.d];
  const unsigned result = (0U - before) & 0xFFU;
  data[op.d] = static_cast<std::uint8_t>(result);
  flag[S_H] = ((result | before) >> 3U) & 1U;
  flag[S_C] = result != 0;
  put_signs(flag, result | (result == 0x80U ? 0x100U : 0U));
}

template <bool kAdds, Flags kFlags>
void word(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned before = data[op.d] | (data[op.d + 1U] << 8U);
  const unsigned result = (kAdds ? before + op.k : before - op.k) & 0xFFFFU;
  data[op.d] = static_cast<std::uint8_t>(result);
  data[op.d + 1U] = static_cast<std::uint8_t>(result >> 8U);
  if constexpr (kFlags != Flags::kNone) {
    const unsigned gained = ((~before & result) >> 15U) & 1U;
    const unsigned lost = ((before & ~result) >> 15U) & 1U;
    flag[S_C] = static_cast<std::uint8_t>(kAdds ? lost : gained);
    put_signs(flag, (result >> 8U) | ((kAdds ? gained : lost) << 8U));
    flag[S_Z] = result == 0;
  }
}

void multiply(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned product = static_cast<unsigned>(data[op.d]) * data[op.r];
  data[0] = static_cast<std::uint8_t>(product);
  data[1] = static_cast<std::uint8_t>(product >> 8U);
  flag[S_Z] = product == 0;
  flag[S_C] = (product >> 15U) & 1U;
}

void move(std::uint8_t* data, const BlockOp& op, std::uint8_t* /*flag*/) {
  data[op.d] = data[op.r];
}
void move_word(std::uint8_t* data, const BlockOp& op, std::uint8_t* /*flag*/) {
  std::uint8_t both[2];
  std::memcpy(both, data + op.r, 2);
  std::memcpy(data + op.d, both, 2);
}
void constant(std::uint8_t* data, const BlockOp& op, std::uint8_t* /*flag*/) {
  data[op.d] = static_cast<std::uint8_t>(op.k);
}
void swap(std::uint8_t* data, const BlockOp& op, std::uint8_t* /*flag*/) {
  const unsigned before = data[op.d];
  data[op.d] = static_cast<std::uint8_t>((before << 4U) | (before >> 4U));
}
void load_bit(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned rest = data[op.d] & ~(1U << op.b);
  data[op.d] = static_cast<std::uint8_t>(rest | (static_cast<unsigned>(flag[S_T]) << op.b));
}
void store_bit(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  flag[S_T] = (data[op.d] >> op.b) & 1U;
}
template <int kTo>
void put_flag(std::uint8_t* /*data*/, const BlockOp& op, std::uint8_t* flag) {
  flag[op.b] = kTo;
}
void nothing(std::uint8_t* /*data*/, const BlockOp& /*op*/, std::uint8_t* /*flag*/) {}

template <class Work>
BlockHandler in_a_row(unsigned count, unsigned live) {
  switch (count) {
    case 1:
      return in_form<Work>(live);
    case 2:
      return in_form<work::Row<Work, 2>, 2>(live);
    case 3:
      return in_form<work::Row<Work, 3>, 3>(live);
    default:
      return in_form<work::Row<Work, kMostInARow>, kMostInARow>(live);
  }
}
template <Shift kShift>
BlockHandler shifting(unsigned live) {
  return form<shift<kShift, Flags::kNone>, shift<kShift, Flags::kCarry>, shift<kShift, Flags::kAll>,
              shift<kShift, Flags::kAll>, shift<kShift, Flags::kAll>>(live);
}
template <auto kNone, auto kAll>
BlockHandler either(unsigned live) {
  return live == 0 ? then<kNone> : then<kAll>;
}
BlockHandler with_two_registers(const Instruction& one, unsigned row, unsigned live) {
  switch (one.operation) {
    case Op::kAdd:
      return in_form<Sum<false>>(live);
    case Op::kAdc:
      return in_a_row<Sum<true>>(row, live);
    case Op::kSub:
      return in_form<Difference<With::kRegister, false, true>>(live);
    case Op::kSbc:
      return in_a_row<Difference<With::kRegister, true, true>>(row, live);
    case Op::kCp:
      return in_form<Difference<With::kRegister, false, false>>(live);
    case Op::kCpc:
      return in_a_row<Difference<With::kRegister, true, false>>(row, live);
    case Op::kAnd:
      return in_form<Logic<With::kRegister, '&'>>(live);
    case Op::kOr:
      return in_form<Logic<With::kRegister, '|'>>(live);
    case Op::kEor:
      return in_form<Logic<With::kRegister, '^'>>(live);
    case Op::kMov:
      return then<move>;
    case Op::kMovw:
      return then<move_word>;
    case Op::kMul:
      return one.b == 0 ? then<multiply> : nullptr;
    default:
      return nullptr;
  }
}

BlockHandler with_one_register(const Instruction& one, unsigned live) {
  switch (one.operation) {
    case Op::kInc:
      return in_form<Step<true>>(live);
    case Op::kDec:
      return in_form<Step<false>>(live);
    case Op::kCom:
      return either<complement<Flags::kNone>, complement<Flags::kAll>>(live);
    case Op::kNeg:
      return then<negate>;
    case Op::kSwap:
      return then<swap>;
    case Op::kAsr:
      return shifting<Shift::kArithmetic>(live);
    case Op::kLsr:
      return shifting<Shift::kLogical>(live);
    case Op::kRor:
      return shifting<Shift::kRotating>(live);
    case Op::kBld:
      return then<load_bit>;
    case Op::kBst:
      return then<store_bit>;
    case Op::kSetFlag:
      return one.b == S_I ? nullptr : then<put_flag<1>>;
    case Op::kClearFlag:
      return one.b == S_I ? nullptr : then<put_flag<0>>;
    case Op::kNop:
      return then<nothing>;
    default:
      return nullptr;
  }
}

BlockHandler with_constant(const Instruction& one, unsigned live) {
  switch (one.operation) {
    case Op::kLdi:
      return then<constant>;
    case Op::kCpi:
      return in_form<Difference<With::kConstant, false, false>>(live);
    case Op::kSubi:
      return in_form<Difference<With::kConstant, false, true>>(live);
    case Op::kSbci:
      return in_form<Difference<With::kConstant, true, true>>(live);
    case Op::kAndi:
      return in_form<Logic<With::kConstant, '&'>>(live);
    case Op::kOri:
      return in_form<Logic<With::kConstant, '|'>>(live);
    case Op::kAdiw:
      return either<word<true, Flags::kNone>, word<true, Flags::kAll>>(live);
    case Op::kSbiw:
      return either<word<false, Flags::kNone>, word<false, Flags::kAll>>(live);
    default:
      return nullptr;
  }
}

}  // namespace

unsigned arithmetic_in_a_row(const Instruction& one, unsigned count) {
  const bool carries = one.operation == Op::kAdc || one.operation == Op::kSbc || one.operation == Op::kCpc;
  return carries ? std::min(count, kMostInARow) : 1U;
}

BlockPart block_arithmetic(const Instruction& one, unsigned row, unsigned live) {
  BlockPart part;
  const unsigned worth = live & flags_set_by(one);
  part.handler = with_two_registers(one, row, worth);
  part.handler = part.handler != nullptr ? part.handler : with_one_register(one, worth);
  part.handler = part.handler != nullptr ? part.handler : with_constant(one, worth);
  const bool two = one.operation == Op::kMul || one.operation == Op::kAdiw || one.operation == Op::kSbiw;
  part.cycles = two ? 2 : 1;
  return part;
}

}  // namespace dawnrig::device
