// Which flags an instruction looks at, and which it sets.
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

}  // namespace dawnrig::device
