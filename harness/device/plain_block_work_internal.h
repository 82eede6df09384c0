// What arithmetic does to a register, and apart from that what it does to the flags: a run may need few of them, or
// none. The one-at-a-time forms in plain_arithmetic.cc say what the flags are.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <bit>
#include <cstring>

#include "harness/device/plain_block_parts_internal.h"

namespace dawnrig::device::work {

/// Which flags somebody may look at.
enum class Flags : std::uint8_t { kNone, kCarry, kCarryAndZero, kCarries, kAll };  // kCarries: C and H

constexpr unsigned kC = 1U << S_C;
constexpr unsigned kZ = 1U << S_Z;
constexpr unsigned kSigned = 1U << S_N | 1U << S_V | 1U << S_S;
constexpr unsigned kH = 1U << S_H;

static_assert(S_C == 0 && S_Z == 1 && S_N == 2 && S_V == 3 && S_S == 4, "these lie in a row");

/// Z, N, V and S of a result (the lower eight bits) with or without an overflow (bit 8).
constexpr std::array<std::array<std::uint8_t, 4>, 512> all_signs() {
  std::array<std::array<std::uint8_t, 4>, 512> all{};
  for (unsigned i = 0; i < all.size(); ++i) {
    const auto negative = static_cast<std::uint8_t>((i >> 7U) & 1U);
    const auto overflow = static_cast<std::uint8_t>(i >> 8U);
    all[i] = {static_cast<std::uint8_t>((i & 0xFFU) == 0 ? 1 : 0), negative, overflow,
              static_cast<std::uint8_t>(negative ^ overflow)};
  }
  return all;
}
inline constexpr auto kSigns = all_signs();

inline void put_signs(std::uint8_t* flag, unsigned index) {
  std::memcpy(flag + S_Z, kSigns[index].data(), kSigns[index].size());
}

constexpr std::uint64_t kPacks = 0x0102040810204080U;
/// The flags as the status register has them. Byte i of the eight is 0 or 1; the product has it in bit i of its highest
/// byte, and carries nothing into that.
inline unsigned packed_flags(const std::uint8_t* flag) {
  static_assert(std::endian::native == std::endian::little);
  std::uint64_t flags = 0;
  std::memcpy(&flags, flag, sizeof flags);
  return static_cast<unsigned>(flags * kPacks >> 56U);
}

constexpr std::array<std::array<std::uint8_t, 8>, 256> all_unpacked() {
  std::array<std::array<std::uint8_t, 8>, 256> all{};
  for (unsigned i = 0; i < 256 * 8; ++i) {
    all[i / 8][i % 8] = static_cast<std::uint8_t>((i / 8) >> (i % 8) & 1U);
  }
  return all;
}
inline constexpr auto kUnpacked = all_unpacked();

inline void unpack_flags(std::uint8_t* flag, unsigned value) {
  std::memcpy(flag, kUnpacked[value].data(), kUnpacked[value].size());
}

/// Of an address on the stack, the lower byte lies higher.
inline unsigned swapped(unsigned word) {
  return (word & 0xFFU) << 8U | (word >> 8U & 0xFFU);
}
template <unsigned kBytes>
std::uint32_t address_on_stack(const std::uint8_t* lowest) {
  const std::uint32_t word = swapped(word_at(lowest + kBytes - 2U));
  return kBytes == 2 ? word : word | static_cast<std::uint32_t>(*lowest) << 16U;
}

enum class With : std::uint8_t { kRegister, kConstant };

template <With kWith>
unsigned operand(const std::uint8_t* data, const BlockOp& op) {
  return kWith == With::kRegister ? data[op.r] : static_cast<std::uint8_t>(op.k);
}

/// A sum or difference, with its carry or borrow in bit 8, and what it is of.
struct Wide {
  unsigned a;
  unsigned b;
  unsigned wide;
};

template <bool kAdds, bool kKeepsZero>
struct Carrying {
  using Made = Wide;
  static constexpr bool kKeeps = kKeepsZero;
  static constexpr unsigned kSets = kC | kZ | kSigned | kH;
  static bool carry(const Wide& made) { return (made.wide & 0x100U) != 0; }
  static bool zero(const Wide& made, const std::uint8_t* flag) {
    return (made.wide & 0xFFU) == 0 && (!kKeepsZero || flag[S_Z] != 0);
  }
  template <Flags kFlags>
  static void put(std::uint8_t* flag, const Wide& made) {
    const auto [a, b, wide] = made;
    if constexpr (kFlags != Flags::kNone) {
      flag[S_C] = (wide >> 8U) & 1U;
    }
    if constexpr (kFlags == Flags::kCarries) {
      flag[S_H] = ((a ^ b ^ wide) >> 4U) & 1U;
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
};

template <bool kCarries>
struct Sum : Carrying<true, false> {
  static Wide work(std::uint8_t* data, const BlockOp& op, const std::uint8_t* flag) {
    return work_with(data, op, kCarries ? flag[S_C] : 0U);
  }
  static Wide work_with(std::uint8_t* data, const BlockOp& op, unsigned carry) {
    const unsigned a = data[op.d];
    const unsigned b = data[op.r];
    const unsigned wide = a + b + carry;
    data[op.d] = static_cast<std::uint8_t>(wide);
    return {a, b, wide};
  }
};

template <With kWith, bool kCarries, bool kStores>
struct Difference : Carrying<false, kCarries> {
  static Wide work(std::uint8_t* data, const BlockOp& op, const std::uint8_t* flag) {
    return work_with(data, op, kCarries ? flag[S_C] : 0U);
  }
  static Wide work_with(std::uint8_t* data, const BlockOp& op, unsigned carry) {
    const unsigned a = data[op.d];
    const unsigned b = operand<kWith>(data, op);
    const unsigned wide = a - b - carry;
    if constexpr (kStores) {
      data[op.d] = static_cast<std::uint8_t>(wide);
    }
    return {a, b, wide};
  }
};

/// So many in a row of what takes the carry of the one before: of the flags between them only the carry, and a zero
/// that is kept, ever matter.
template <class Work, unsigned kCount>
struct Row : Work {
  static Wide work(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
    unsigned carry = flag[S_C];
    bool zero = Work::kKeeps && flag[S_Z] != 0;
    for (unsigned i = 0; i + 1 < kCount; ++i) {
      const unsigned wide = Work::work_with(data, (&op)[i], carry).wide;
      carry = (wide >> 8U) & 1U;
      zero = zero && (wide & 0xFFU) == 0;
    }
    if constexpr (Work::kKeeps) {
      flag[S_Z] = zero ? 1 : 0;
    }
    return Work::work_with(data, (&op)[kCount - 1], carry);
  }
};

/// Flags that follow from the result and an overflow: the index of the table above.
struct Signed {
  using Made = unsigned;
  static constexpr unsigned kSets = kZ | kSigned;
  static bool zero(unsigned made, const std::uint8_t* /*flag*/) { return (made & 0xFFU) == 0; }
  template <Flags kFlags>
  static void put(std::uint8_t* flag, unsigned made) {
    if constexpr (kFlags == Flags::kCarryAndZero) {
      flag[S_Z] = (made & 0xFFU) == 0 ? 1 : 0;
    } else if constexpr (kFlags != Flags::kNone) {
      put_signs(flag, made);
    }
  }
};

template <With kWith, char kHow>
struct Logic : Signed {
  static unsigned work(std::uint8_t* data, const BlockOp& op, const std::uint8_t* /*flag*/) {
    const unsigned a = data[op.d];
    const unsigned b = operand<kWith>(data, op);
    const unsigned result = kHow == '&' ? a & b : kHow == '|' ? a | b : a ^ b;
    data[op.d] = static_cast<std::uint8_t>(result);
    return result;
  }
};

template <bool kUp>
struct Step : Signed {
  static unsigned work(std::uint8_t* data, const BlockOp& op, const std::uint8_t* /*flag*/) {
    const unsigned result = (data[op.d] + (kUp ? 1U : 0xFFU)) & 0xFFU;
    data[op.d] = static_cast<std::uint8_t>(result);
    return result;
  }
  template <Flags kFlags>
  static void put(std::uint8_t* flag, unsigned made) {
    Signed::put<kFlags>(flag, made | (made == (kUp ? 0x80U : 0x7FU) ? 0x100U : 0U));
  }
};

}  // namespace dawnrig::device::work
