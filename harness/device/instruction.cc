#include "harness/device/instruction.h"

namespace dawnrig::device {
namespace {

using Op = Operation;

constexpr std::uint8_t kX = 26;
constexpr std::uint8_t kY = 28;
constexpr std::uint8_t kZ = 30;
constexpr std::uint32_t kIoOffset = 0x20;  // where I/O address 0 stands in data memory

std::uint8_t d5(unsigned word) {
  return static_cast<std::uint8_t>((word >> 4U) & 0x1FU);
}
std::uint8_t r5(unsigned word) {
  return static_cast<std::uint8_t>(((word >> 5U) & 0x10U) | (word & 0x0FU));
}
std::uint8_t low3(unsigned word) {
  return static_cast<std::uint8_t>(word & 7U);
}

/// 00oo oord dddd rrrr
Instruction two_registers(unsigned word) {
  static constexpr Op kOps[16] = {Op::kUnknown, Op::kCpc, Op::kSbc, Op::kAdd, Op::kSkipIfEqual, Op::kCp,
                                  Op::kSub,     Op::kAdc, Op::kAnd, Op::kEor, Op::kOr,          Op::kMov};
  Instruction one{kOps[(word >> 10U) & 15U], d5(word), r5(word)};
  if (one.operation != Op::kUnknown) {
    return one;
  }
  if (word == 0) {
    one.operation = Op::kNop;
  } else if ((word & 0xFF00U) == 0x0100U) {
    one.operation = Op::kMovw;
    one.d = static_cast<std::uint8_t>((word >> 3U) & 0x1EU);
    one.r = static_cast<std::uint8_t>((word << 1U) & 0x1EU);
  } else if ((word & 0xFE00U) == 0x0200U) {
    one.operation = Op::kMul;
    one.b = 1;
    // muls takes any two of the upper sixteen registers, the others two of registers 16 to 23.
    const unsigned which = (word & 0x0100U) == 0 ? 15U : 7U;
    one.d = static_cast<std::uint8_t>(16U + ((word >> 4U) & which));
    one.r = static_cast<std::uint8_t>(16U + (word & which));
  }
  return one;
}

/// oooo kkkk dddd kkkk, on the upper sixteen registers
Instruction with_constant(unsigned word) {
  Instruction one;
  static constexpr Op kOps[8] = {Op::kUnknown, Op::kUnknown, Op::kUnknown, Op::kCpi,
                                 Op::kSbci,    Op::kSubi,    Op::kOri,     Op::kAndi};
  one.operation = word >> 12U == 14U ? Op::kLdi : kOps[(word >> 12U) & 7U];
  one.d = static_cast<std::uint8_t>(16U + ((word >> 4U) & 15U));
  one.k = ((word >> 4U) & 0xF0U) | (word & 0x0FU);
  return one;
}

/// 10q0 qqsd dddd yqqq
Instruction with_displacement(unsigned word) {
  Instruction one;
  one.operation = (word & 0x0200U) != 0 ? Op::kStoreByPointer : Op::kLoadByPointer;
  one.d = d5(word);
  one.pointer = (word & 8U) != 0 ? kY : kZ;
  one.k = ((word >> 8U) & 0x20U) | ((word >> 7U) & 0x18U) | (word & 7U);
  return one;
}

/// 1001 00sd dddd oooo
Instruction moves(unsigned word, std::uint16_t second) {
  Instruction one;
  one.d = d5(word);
  const bool stores = (word & 0x0200U) != 0;
  const unsigned how = word & 15U;
  const auto by_pointer = [&one, stores](std::uint8_t pointer, Instruction::Step step) {
    one.operation = stores ? Op::kStoreByPointer : Op::kLoadByPointer;
    one.pointer = pointer;
    one.step = step;
  };
  using Step = Instruction::Step;
  static constexpr std::uint8_t kPointers[4] = {kZ, 0, kY, kX};
  if (how == 0) {
    one.operation = stores ? Op::kStore : Op::kLoad;
    one.bytes = 4;
    one.k = second;
  } else if (how == 15) {
    one.operation = stores ? Op::kPush : Op::kPop;
  } else if (how == 12) {
    by_pointer(kX, Step::kNone);
  } else if (how == 4 || how == 5) {
    one.operation = stores ? Op::kUnknown : Op::kLoadProgram;
    one.step = how == 5 ? Step::kAfterwards : Step::kNone;
  } else if (how != 8 && ((how & 3U) == 1 || (how & 3U) == 2) && kPointers[how >> 2U] != 0) {
    by_pointer(kPointers[how >> 2U], (how & 3U) == 1 ? Step::kAfterwards : Step::kBefore);
  }
  return one;
}

/// 1001 010x xxxx 1000 and 1001: flags, and what takes no register
Instruction without_operands(unsigned word) {
  Instruction one;
  if ((word & 0xFF0FU) == 0x9408U) {
    one.operation = (word & 0x80U) != 0 ? Op::kClearFlag : Op::kSetFlag;
    one.b = static_cast<std::uint8_t>((word >> 4U) & 7U);
    return one;
  }
  switch (word) {
    case 0x9508:
      one.operation = Op::kReturn;
      break;
    case 0x9518:
      one.operation = Op::kReturnFromInterrupt;
      break;
    case 0x9588:
      one.operation = Op::kSleep;
      break;
    case 0x95A8:
      one.operation = Op::kPetWatchdog;
      break;
    case 0x95C8:
      one.operation = Op::kLoadProgram;
      break;
    case 0x9409:
      one.operation = Op::kJumpToZ;
      break;
    case 0x9509:
      one.operation = Op::kCallZ;
      break;
    default:
      break;
  }
  return one;
}

/// 1001 010d dddd oooo
Instruction one_register(unsigned word, std::uint16_t second) {
  static constexpr Op kOps[16] = {Op::kCom, Op::kNeg, Op::kSwap,    Op::kInc,     Op::kUnknown, Op::kAsr,
                                  Op::kLsr, Op::kRor, Op::kUnknown, Op::kUnknown, Op::kDec};
  const unsigned how = word & 15U;
  if (how == 8 || how == 9) {
    return without_operands(word);
  }
  Instruction one{kOps[how], d5(word)};
  if (how >= 12) {
    one.operation = how >= 14 ? Op::kCall : Op::kJump;
    one.bytes = 4;
    one.k = ((((word >> 3U) & 0x3EU) | (word & 1U)) << 17U) | (static_cast<std::uint32_t>(second) << 1U);
  }
  return one;
}

/// 1001 011x and 1001 1xxx: words, bits of I/O cells, the unsigned product
Instruction words_and_bits(unsigned word) {
  Instruction one;
  if ((word & 0xFE00U) == 0x9600U) {
    one.operation = (word & 0x0100U) != 0 ? Op::kSbiw : Op::kAdiw;
    one.d = static_cast<std::uint8_t>(24U + ((word >> 3U) & 6U));
    one.k = ((word >> 2U) & 0x30U) | (word & 0x0FU);
  } else if ((word & 0xFC00U) == 0x9800U) {
    static constexpr Op kOps[4] = {Op::kClearCellBit, Op::kSkipIfCellClear, Op::kSetCellBit, Op::kSkipIfCellSet};
    one.operation = kOps[(word >> 8U) & 3U];
    one.k = kIoOffset + ((word >> 3U) & 0x1FU);
    one.b = low3(word);
  } else {
    one.operation = Op::kMul;
    one.d = d5(word);
    one.r = r5(word);
  }
  return one;
}

/// 1111 xxxx: branches on flags, and bits of registers
Instruction branches_and_bits(std::uint32_t at, unsigned word, std::uint32_t flash_bytes) {
  Instruction one;
  one.b = low3(word);
  if ((word & 0x0800U) == 0) {
    const unsigned offset = (word >> 2U) & 0xFEU;
    one.operation = (word & 0x0400U) != 0 ? Op::kBranchIfClear : Op::kBranchIfSet;
    one.k = (at + 2U + offset - ((word & 0x0200U) != 0 ? 0x100U : 0U)) % flash_bytes;
  } else if ((word & 8U) == 0) {
    static constexpr Op kOps[4] = {Op::kBld, Op::kBst, Op::kSkipIfBitClear, Op::kSkipIfBitSet};
    one.operation = kOps[(word >> 9U) & 3U];
    one.d = d5(word);
  }
  return one;
}

}  // namespace

Instruction taken_apart(std::uint32_t at, std::uint16_t first, std::uint16_t second, std::uint32_t flash_bytes) {
  const unsigned word = first;
  Instruction one;
  switch (word >> 12U) {
    case 0:
    case 1:
    case 2:
      return two_registers(word);
    case 8:
    case 10:
      return with_displacement(word);
    case 9:
      if ((word & 0x0C00U) == 0) {
        return moves(word, second);
      }
      return (word & 0x0E00U) == 0x0400U ? one_register(word, second) : words_and_bits(word);
    case 11:
      one.operation = (word & 0x0800U) != 0 ? Op::kStore : Op::kLoad;
      one.d = d5(word);
      one.k = kIoOffset + (((word >> 5U) & 0x30U) | (word & 15U));
      return one;
    case 12:
    case 13:
      one.operation = (word & 0x1000U) != 0 ? Op::kCall : Op::kJump;
      one.k = (at + 2U + ((word & 0x0FFFU) << 1U) - ((word & 0x0800U) != 0 ? 0x2000U : 0U)) % flash_bytes;
      return one;
    case 15:
      return branches_and_bits(at, word, flash_bytes);
    default:
      return with_constant(word);
  }
}

}  // namespace dawnrig::device
