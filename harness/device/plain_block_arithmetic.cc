// Registers and flags in runs of plain instructions. Each comes in as many forms as there are sets of flags worth
// working out; the one-at-a-time forms in plain_arithmetic.cc say what the flags are.
#include <array>
#include <cstring>

#include "harness/device/plain_blocks_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;

/// Which flags somebody may look at.
enum class Flags : std::uint8_t { kNone, kCarry, kCarryAndZero, kAll };

static_assert(S_C == 0 && S_Z == 1 && S_N == 2 && S_V == 3 && S_S == 4, "these lie in a row");

/// Z, N, V and S of a result (the lower eight bits) with or without an overflow (bit 8).
constexpr std::array<std::array<std::uint8_t, 4>, 512> signs() {
  std::array<std::array<std::uint8_t, 4>, 512> all{};
  for (unsigned i = 0; i < all.size(); ++i) {
    const auto negative = static_cast<std::uint8_t>((i >> 7U) & 1U);
    const auto overflow = static_cast<std::uint8_t>(i >> 8U);
    all[i] = {static_cast<std::uint8_t>((i & 0xFFU) == 0 ? 1 : 0), negative, overflow,
              static_cast<std::uint8_t>(negative ^ overflow)};
  }
  return all;
}
constexpr auto kSigns = signs();

void put_signs(std::uint8_t* flag, unsigned index) {
  std::memcpy(flag + S_Z, kSigns[index].data(), kSigns[index].size());
}

/// The instruction, then the next one.
template <auto kWork>
const BlockOp* then(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  kWork(data, *op, cpu.flag);
  ++op;
  return op->go(data, op, cpu);
}

/// `wide`: the sum or difference with its carry or borrow in bit 8.
template <Flags kFlags, bool kAdds, bool kKeepsZero>
void put_flags(std::uint8_t* flag, unsigned a, unsigned b, unsigned wide) {
  if constexpr (kFlags != Flags::kNone) {
    flag[S_C] = (wide >> 8U) & 1U;
  }
  const std::uint8_t zero_before = kKeepsZero ? flag[S_Z] : 1;
  if constexpr (kFlags == Flags::kCarryAndZero) {
    flag[S_Z] = (wide & 0xFFU) == 0 ? zero_before : 0;
  }
  if constexpr (kFlags == Flags::kAll) {
    const unsigned changed = a ^ wide;
    flag[S_H] = ((changed ^ b) >> 4U) & 1U;
    const unsigned overflow = changed & (kAdds ? b ^ wide : a ^ b) & 0x80U;
    put_signs(flag, (wide & 0xFFU) | (overflow << 1U));
    if constexpr (kKeepsZero) {
      flag[S_Z] &= zero_before;
    }
  }
}

template <bool kCarries, Flags kFlags>
void add(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned a = data[op.d];
  const unsigned b = data[op.r];
  const unsigned wide = a + b + (kCarries ? flag[S_C] : 0U);
  data[op.d] = static_cast<std::uint8_t>(wide);
  put_flags<kFlags, true, false>(flag, a, b, wide);
}

enum class With : std::uint8_t { kRegister, kConstant };

template <With kWith, bool kCarries, bool kStores, Flags kFlags>
void subtract(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned a = data[op.d];
  const unsigned b = kWith == With::kRegister ? data[op.r] : static_cast<std::uint8_t>(op.k);
  const unsigned wide = a - b - (kCarries ? flag[S_C] : 0U);
  if constexpr (kStores) {
    data[op.d] = static_cast<std::uint8_t>(wide);
  }
  put_flags<kFlags, false, kCarries>(flag, a, b, wide);
}

template <With kWith, char kHow, Flags kFlags>
void logic(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned a = data[op.d];
  const unsigned b = kWith == With::kRegister ? data[op.r] : static_cast<std::uint8_t>(op.k);
  const unsigned result = kHow == '&' ? a & b : kHow == '|' ? a | b : a ^ b;
  data[op.d] = static_cast<std::uint8_t>(result);
  if constexpr (kFlags != Flags::kNone) {
    put_signs(flag, result);
  }
}

template <bool kUp, Flags kFlags>
void step(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const unsigned result = (data[op.d] + (kUp ? 1U : 0xFFU)) & 0xFFU;
  data[op.d] = static_cast<std::uint8_t>(result);
  if constexpr (kFlags != Flags::kNone) {
    put_signs(flag, result | (result == (kUp ? 0x80U : 0x7FU) ? 0x100U : 0U));
  }
}

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

constexpr unsigned kC = 1U << S_C;
constexpr unsigned kZ = 1U << S_Z;

Flags wanted(unsigned live) {
  if (live == 0) {
    return Flags::kNone;
  }
  if ((live & ~kC) == 0) {
    return Flags::kCarry;
  }
  return (live & ~(kC | kZ)) == 0 ? Flags::kCarryAndZero : Flags::kAll;
}

// Which form: the leaner ones first, where there are any.
template <auto kNone, auto kCarry, auto kCarryAndZero, auto kAll>
BlockHandler form(unsigned live) {
  switch (wanted(live)) {
    case Flags::kNone:
      return then<kNone>;
    case Flags::kCarry:
      return then<kCarry>;
    case Flags::kCarryAndZero:
      return then<kCarryAndZero>;
    case Flags::kAll:
      break;
  }
  return then<kAll>;
}
template <bool kCarries>
BlockHandler adding(unsigned live) {
  return form<add<kCarries, Flags::kNone>, add<kCarries, Flags::kCarry>, add<kCarries, Flags::kCarryAndZero>,
              add<kCarries, Flags::kAll>>(live);
}
template <With kWith, bool kCarries, bool kStores>
BlockHandler subtracting(unsigned live) {
  return form<subtract<kWith, kCarries, kStores, Flags::kNone>, subtract<kWith, kCarries, kStores, Flags::kCarry>,
              subtract<kWith, kCarries, kStores, Flags::kCarryAndZero>,
              subtract<kWith, kCarries, kStores, Flags::kAll>>(live);
}
template <Shift kShift>
BlockHandler shifting(unsigned live) {
  return form<shift<kShift, Flags::kNone>, shift<kShift, Flags::kCarry>, shift<kShift, Flags::kAll>,
              shift<kShift, Flags::kAll>>(live);
}
template <auto kNone, auto kAll>
BlockHandler either(unsigned live) {
  return live == 0 ? then<kNone> : then<kAll>;
}
template <With kWith, char kHow>
BlockHandler combining(unsigned live) {
  return either<logic<kWith, kHow, Flags::kNone>, logic<kWith, kHow, Flags::kAll>>(live);
}

BlockHandler with_two_registers(const Instruction& one, unsigned live) {
  switch (one.operation) {
    case Op::kAdd:
      return adding<false>(live);
    case Op::kAdc:
      return adding<true>(live);
    case Op::kSub:
      return subtracting<With::kRegister, false, true>(live);
    case Op::kSbc:
      return subtracting<With::kRegister, true, true>(live);
    case Op::kCp:
      return subtracting<With::kRegister, false, false>(live);
    case Op::kCpc:
      return subtracting<With::kRegister, true, false>(live);
    case Op::kAnd:
      return combining<With::kRegister, '&'>(live);
    case Op::kOr:
      return combining<With::kRegister, '|'>(live);
    case Op::kEor:
      return combining<With::kRegister, '^'>(live);
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
      return either<step<true, Flags::kNone>, step<true, Flags::kAll>>(live);
    case Op::kDec:
      return either<step<false, Flags::kNone>, step<false, Flags::kAll>>(live);
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
      return subtracting<With::kConstant, false, false>(live);
    case Op::kSubi:
      return subtracting<With::kConstant, false, true>(live);
    case Op::kSbci:
      return subtracting<With::kConstant, true, true>(live);
    case Op::kAndi:
      return combining<With::kConstant, '&'>(live);
    case Op::kOri:
      return combining<With::kConstant, '|'>(live);
    case Op::kAdiw:
      return either<word<true, Flags::kNone>, word<true, Flags::kAll>>(live);
    case Op::kSbiw:
      return either<word<false, Flags::kNone>, word<false, Flags::kAll>>(live);
    default:
      return nullptr;
  }
}

}  // namespace

BlockPart block_arithmetic(const Instruction& one, unsigned live) {
  BlockPart part;
  const unsigned worth = live & flags_set_by(one);
  part.handler = with_two_registers(one, worth);
  part.handler = part.handler != nullptr ? part.handler : with_one_register(one, worth);
  part.handler = part.handler != nullptr ? part.handler : with_constant(one, worth);
  const bool two = one.operation == Op::kMul || one.operation == Op::kAdiw || one.operation == Op::kSbiw;
  part.cycles = two ? 2 : 1;
  return part;
}

}  // namespace dawnrig::device
