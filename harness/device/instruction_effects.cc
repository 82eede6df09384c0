// Which flags and registers an instruction looks at, and which it sets.
#include "harness/device/instruction.h"

namespace dawnrig::device {
namespace {

using Op = Operation;

constexpr unsigned kC = 0;
constexpr unsigned kZ = 1;
constexpr unsigned kN = 2;
constexpr unsigned kV = 3;
constexpr unsigned kS = 4;
constexpr unsigned kH = 5;
constexpr unsigned kT = 6;
constexpr std::uint32_t kSreg = 0x5F;

std::uint32_t bit(unsigned number) {
  return number < 32U ? 1U << number : 0U;
}
std::uint32_t pair(unsigned lower) {
  return bit(lower) | bit(lower + 1U);
}

constexpr unsigned kZPointer = 30;

}  // namespace

unsigned flags_read_by(const Instruction& one) {
  switch (one.operation) {
    case Op::kAdc:
    case Op::kRor:
      return 1U << kC;
    case Op::kSbc:
    case Op::kSbci:
    case Op::kCpc:
      return 1U << kC | 1U << kZ;
    case Op::kBranchIfClear:
    case Op::kBranchIfSet:
      return 1U << one.b;
    case Op::kBld:
      return 1U << kT;
    case Op::kLoad:
    case Op::kLoadByPointer:
      return one.operation == Op::kLoadByPointer || one.k == kSreg ? kAllFlags : 0U;
    default:
      return 0;
  }
}

unsigned flags_set_by(const Instruction& one) {
  constexpr unsigned kSign = 1U << kS | 1U << kV | 1U << kN | 1U << kZ;
  switch (one.operation) {
    case Op::kAdd:
    case Op::kAdc:
    case Op::kSub:
    case Op::kSbc:
    case Op::kCp:
    case Op::kCpc:
    case Op::kCpi:
    case Op::kSubi:
    case Op::kSbci:
    case Op::kNeg:
      return kSign | 1U << kC | 1U << kH;
    case Op::kAnd:
    case Op::kOr:
    case Op::kEor:
    case Op::kAndi:
    case Op::kOri:
    case Op::kInc:
    case Op::kDec:
      return kSign;
    case Op::kCom:
    case Op::kAsr:
    case Op::kLsr:
    case Op::kRor:
    case Op::kAdiw:
    case Op::kSbiw:
      return kSign | 1U << kC;
    case Op::kMul:
      return 1U << kC | 1U << kZ;
    case Op::kBst:
      return 1U << kT;
    case Op::kSetFlag:
    case Op::kClearFlag:
      return 1U << one.b;
    case Op::kStore:
      return one.k == kSreg ? kAllFlags : 0U;
    default:
      return 0;
  }
}

std::uint32_t registers_read_by(const Instruction& one) {
  switch (one.operation) {
    case Op::kAdd:
    case Op::kAdc:
    case Op::kSub:
    case Op::kSbc:
    case Op::kCp:
    case Op::kCpc:
    case Op::kAnd:
    case Op::kOr:
    case Op::kEor:
    case Op::kMul:
    case Op::kSkipIfEqual:
      return bit(one.d) | bit(one.r);
    case Op::kMov:
      return bit(one.r);
    case Op::kMovw:
      return pair(one.r);
    case Op::kCom:
    case Op::kNeg:
    case Op::kSwap:
    case Op::kInc:
    case Op::kDec:
    case Op::kAsr:
    case Op::kLsr:
    case Op::kRor:
    case Op::kCpi:
    case Op::kSubi:
    case Op::kSbci:
    case Op::kAndi:
    case Op::kOri:
    case Op::kBld:
    case Op::kBst:
    case Op::kSkipIfBitClear:
    case Op::kSkipIfBitSet:
    case Op::kStore:
    case Op::kPush:
      return bit(one.d);
    case Op::kAdiw:
    case Op::kSbiw:
      return pair(one.d);
    case Op::kJumpToZ:
    case Op::kCallZ:
    case Op::kLoadProgram:
      return pair(kZPointer);
    case Op::kLoad:
      return bit(one.k);
    case Op::kLoadByPointer:
      return pair(one.pointer);
    case Op::kStoreByPointer:
      return pair(one.pointer) | bit(one.d);
    default:
      return 0;
  }
}

std::uint32_t registers_set_by(const Instruction& one) {
  const std::uint32_t stepped = one.step == Instruction::Step::kNone ? 0U : pair(one.pointer);
  switch (one.operation) {
    case Op::kAdd:
    case Op::kAdc:
    case Op::kSub:
    case Op::kSbc:
    case Op::kAnd:
    case Op::kOr:
    case Op::kEor:
    case Op::kMov:
    case Op::kCom:
    case Op::kNeg:
    case Op::kSwap:
    case Op::kInc:
    case Op::kDec:
    case Op::kAsr:
    case Op::kLsr:
    case Op::kRor:
    case Op::kLdi:
    case Op::kSubi:
    case Op::kSbci:
    case Op::kAndi:
    case Op::kOri:
    case Op::kBld:
    case Op::kLoad:
    case Op::kPop:
      return bit(one.d);
    case Op::kMovw:
    case Op::kAdiw:
    case Op::kSbiw:
      return pair(one.d);
    case Op::kMul:
      return pair(0);
    case Op::kStore:
      return bit(one.k);
    case Op::kLoadByPointer:
      return bit(one.d) | stepped;
    case Op::kStoreByPointer:
      return stepped;
    case Op::kLoadProgram:
      return bit(one.d) | (one.step == Instruction::Step::kNone ? 0U : pair(kZPointer));
    default:
      return 0;
  }
}

}  // namespace dawnrig::device
