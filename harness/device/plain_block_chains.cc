// Sums, differences and comparisons of two and four bytes, one instruction a byte, worked out at once: where the bytes
// lie in pairs of neighbouring registers, as compilers put them. With the branch behind them, if there is one.
#include <algorithm>
#include <type_traits>

#include "harness/device/plain_block_forms_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using work::Flags;

enum class Kind : std::uint8_t { kSum, kDifference, kComparison };
/// How the bytes of the second number lie; of kWhole, those of the first one too.
enum class Second : std::uint8_t { kPairs, kBytes, kConstants, kWhole };

template <unsigned kBytes>
using Number = std::conditional_t<kBytes == 4, std::uint64_t, std::uint32_t>;

std::uint32_t four_at(const std::uint8_t* low) {
  return word_at(low) | word_at(low + 2) << 16U;
}

template <unsigned kBytes, Second kSecond>
Number<kBytes> firsts(const std::uint8_t* data, const BlockOp* op) {
  if constexpr (kSecond == Second::kWhole) {
    return four_at(data + op->d);
  }
  Number<kBytes> number = word_at(data + op->d);
  if constexpr (kBytes == 4) {
    number |= word_at(data + op[2].d) << 16U;
  }
  return number;
}
template <unsigned kBytes, Second kSecond>
Number<kBytes> seconds(const std::uint8_t* data, const BlockOp* op) {
  if constexpr (kSecond == Second::kConstants) {
    return static_cast<std::uint8_t>(op[0].k) | (static_cast<unsigned>(op[1].k) & 0xFFU) << 8U;
  } else if constexpr (kSecond == Second::kBytes) {
    return data[op[0].r] | static_cast<unsigned>(data[op[1].r]) << 8U;
  } else if constexpr (kSecond == Second::kWhole) {
    return four_at(data + op->r);
  } else if constexpr (kBytes == 2) {
    return word_at(data + op->r);
  } else {
    return word_at(data + op->r) | word_at(data + op[2].r) << 16U;
  }
}

/// The first takes a carry, or none; those behind it do.
template <Kind kKind, bool kCarries, unsigned kBytes, Second kSecond>
struct Chain {
  using Wide = Number<kBytes>;
  struct Made {
    Wide a;
    Wide b;
    Wide wide;  ///< the carry or borrow is its bit above the bytes
  };
  static constexpr bool kAdds = kKind == Kind::kSum;
  static constexpr unsigned kBits = 8 * kBytes;
  static constexpr Wide kNumber = (Wide{1} << (kBits - 1U) << 1U) - 1U;
  static constexpr unsigned kSets = work::kC | work::kZ | work::kSigned | work::kH;

  static Made work(std::uint8_t* data, const BlockOp& op, const std::uint8_t* flag) {
    const Wide a = firsts<kBytes, kSecond>(data, &op);
    const Wide b = seconds<kBytes, kSecond>(data, &op);
    const Wide carry = kCarries ? flag[S_C] : 0U;
    const Wide wide = kAdds ? a + b + carry : a - b - carry;
    if constexpr (kKind != Kind::kComparison) {
      put_word(data + op.d, static_cast<unsigned>(wide));
      if constexpr (kBytes == 4) {
        put_word(data + (kSecond == Second::kWhole ? op.d + 2U : (&op)[2].d), static_cast<unsigned>(wide >> 16U));
      }
    }
    return {a, b, wide};
  }
  static bool carry(const Made& made) { return (made.wide >> kBits & 1U) != 0; }
  /// A sum's is that of its last byte alone.
  static bool zero(const Made& made, const std::uint8_t* flag) {
    return kAdds ? (made.wide >> (kBits - 8U) & 0xFFU) == 0
                 : (made.wide & kNumber) == 0 && (!kCarries || flag[S_Z] != 0);
  }
  template <Flags kFlags>
  static void put(std::uint8_t* flag, const Made& made) {
    const auto [a, b, wide] = made;
    if constexpr (kFlags != Flags::kNone) {
      flag[S_C] = static_cast<std::uint8_t>(wide >> kBits & 1U);
    }
    if constexpr (kFlags == Flags::kCarries || kFlags == Flags::kAll) {
      flag[S_H] = static_cast<std::uint8_t>((a ^ b ^ wide) >> (kBits - 4U) & 1U);
    }
    if constexpr (kFlags == Flags::kCarryAndZero) {
      flag[S_Z] = zero(made, flag) ? 1 : 0;
    }
    if constexpr (kFlags == Flags::kAll) {
      const bool is_zero = zero(made, flag);
      const Wide overflow = (a ^ wide) & (kAdds ? b ^ wide : a ^ b);
      const auto last = [](Wide of) { return static_cast<unsigned>(of >> (kBits - 8U)); };
      work::put_signs(flag, (last(wide) & 0xFFU) | (last(overflow) & 0x80U) << 1U);
      flag[S_Z] = is_zero ? 1 : 0;
    }
  }
};

bool is_constant(const Instruction& one) {
  return one.operation == Op::kSubi || one.operation == Op::kSbci;
}
Op carrying(const Instruction& one) {
  switch (one.operation) {
    case Op::kAdd:
    case Op::kAdc:
      return Op::kAdc;
    case Op::kSub:
    case Op::kSbc:
      return Op::kSbc;
    case Op::kCp:
    case Op::kCpc:
      return Op::kCpc;
    case Op::kSubi:
      return Op::kSbci;
    default:
      return Op::kUnknown;
  }
}

// In neighbouring registers.
bool is_pair(std::span<const Instruction> code) {
  return code[1].d == code[0].d + 1;
}
bool has_second_pair(std::span<const Instruction> code) {
  return code[1].r == code[0].r + 1;
}
// No byte is read, or written again, behind the instruction that writes it.
bool is_independent(std::span<const Instruction> code) {
  for (std::size_t i = 0; i < code.size(); ++i) {
    for (const Instruction& later : code.subspan(i + 1)) {
      if (later.d == code[i].d || (!is_constant(later) && later.r == code[i].d)) {
        return false;
      }
    }
  }
  return true;
}

using Chooser = BlockHandler (*)(unsigned live, const Instruction* branch);

template <Kind kKind, bool kCarries, unsigned kBytes, Second kSecond>
BlockHandler chosen(unsigned live, const Instruction* branch) {
  using Work = Chain<kKind, kCarries, kBytes, kSecond>;
  return branch != nullptr ? forms::on_carry_or_zero<Work, kBytes>(*branch)
                           : forms::in_form<Work, kBytes>(live & Work::kSets);
}
template <Kind kKind, bool kCarries>
Chooser laid_out(std::span<const Instruction> code) {
  if (code.size() == 4) {
    const bool whole = is_pair(code.subspan(1)) && has_second_pair(code.subspan(1));
    return whole ? chosen<kKind, kCarries, 4, Second::kWhole> : chosen<kKind, kCarries, 4, Second::kPairs>;
  }
  return has_second_pair(code) ? chosen<kKind, kCarries, 2, Second::kPairs>
                               : chosen<kKind, kCarries, 2, Second::kBytes>;
}
Chooser chooser(std::span<const Instruction> code) {
  switch (code[0].operation) {
    case Op::kAdd:
      return laid_out<Kind::kSum, false>(code);
    case Op::kAdc:
      return laid_out<Kind::kSum, true>(code);
    case Op::kSub:
      return laid_out<Kind::kDifference, false>(code);
    case Op::kSbc:
      return laid_out<Kind::kDifference, true>(code);
    case Op::kCp:
      return laid_out<Kind::kComparison, false>(code);
    case Op::kCpc:
      return laid_out<Kind::kComparison, true>(code);
    default:
      return chosen<Kind::kDifference, false, 2, Second::kConstants>;
  }
}

}  // namespace

unsigned bytes_in_chain(std::span<const Instruction> code) {
  const Op behind = carrying(code[0]);
  if (behind == Op::kUnknown) {
    return 1;
  }
  const auto differs = [behind](const Instruction& one) { return one.operation != behind; };
  const auto linked = static_cast<std::size_t>(std::find_if(code.begin() + 1, code.end(), differs) - code.begin());
  const bool stores = code[0].operation != Op::kCp && code[0].operation != Op::kCpc;
  const auto holds = [stores, linked, code](std::size_t bytes) {
    return linked >= bytes && is_pair(code) && (!stores || is_independent(code.first(bytes)));
  };
  const bool four = holds(4) && !is_constant(code[0]) && is_pair(code.subspan(2)) && has_second_pair(code) &&
                    has_second_pair(code.subspan(2));
  return four ? 4U : holds(2) ? 2U : 1U;
}

BlockHandler block_chain(std::span<const Instruction> code, unsigned live) {
  return chooser(code)(live, nullptr);
}

BlockHandler block_chain_and_branch(std::span<const Instruction> code, const Instruction& branch) {
  return branch.operation == Op::kBranchIfSet || branch.operation == Op::kBranchIfClear ? chooser(code)(0, &branch)
                                                                                        : nullptr;
}

}  // namespace dawnrig::device
