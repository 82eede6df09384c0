// One instruction taken apart: what it does and with what. As much as telling idle loops from work needs, and
// executing what is plain.
// Room: harness/device. Uses nothing else; knows nothing of the simulator.
#pragma once

#include <cstdint>

namespace dawnrig::device {

enum class Operation : std::uint8_t {
  kUnknown,  ///< not an instruction, or one that nobody needs to see through
  // d with r, or d alone; results in d and in the flags
  kAdd,
  kAdc,
  kSub,
  kSbc,
  kCp,
  kCpc,
  kAnd,
  kOr,
  kEor,
  kMov,
  kMovw,
  kMul,  ///< any of the six multiplications; b is set for all but that of two unsigned whole numbers
  kCom,
  kNeg,
  kSwap,
  kInc,
  kDec,
  kAsr,
  kLsr,
  kRor,
  // d with the constant k
  kLdi,
  kCpi,
  kSubi,
  kSbci,
  kAndi,
  kOri,
  kAdiw,
  kSbiw,
  // bit b of d or of the flags
  kBld,
  kBst,
  kSetFlag,
  kClearFlag,
  // flow: to k (a byte address), or over the next instruction
  kBranchIfSet,    ///< flag b
  kBranchIfClear,  ///< flag b
  kJump,
  kJumpToZ,
  kCall,
  kCallZ,
  kReturn,
  kReturnFromInterrupt,
  kSkipIfEqual,      ///< d and r
  kSkipIfBitClear,   ///< bit b of d
  kSkipIfBitSet,     ///< bit b of d
  kSkipIfCellClear,  ///< bit b of the cell at k
  kSkipIfCellSet,    ///< bit b of the cell at k
  // memory: d from or to the byte at k, or at pointer + k
  kLoad,
  kStore,
  kLoadByPointer,
  kStoreByPointer,
  kPush,
  kPop,
  kSetCellBit,
  kClearCellBit,
  kLoadProgram,
  // the rest
  kNop,
  kSleep,
  kPetWatchdog,
};

struct Instruction {
  enum class Step : std::uint8_t { kNone, kAfterwards, kBefore };  ///< the pointer goes up afterwards, down before

  Operation operation{Operation::kUnknown};
  std::uint8_t d{0};
  std::uint8_t r{0};
  std::uint8_t b{0};
  std::uint8_t pointer{0};  ///< the lower register of X, Y or Z
  Step step{Step::kNone};
  std::uint8_t bytes{2};  ///< its length
  std::uint32_t k{0};     ///< constant, data address, displacement, or target as a byte address
};

/// Takes apart the instruction at byte address `at`, whose words are `first` and, if it has two, `second`.
/// `flash_bytes` is the size of program memory, in which relative jumps wrap around.
[[nodiscard]] Instruction taken_apart(std::uint32_t at, std::uint16_t first, std::uint16_t second,
                                      std::uint32_t flash_bytes);

/// Over the next instruction, by registers; those by a peripheral's register are not meant.
[[nodiscard]] inline bool is_skip(const Instruction& one) {
  return one.operation == Operation::kSkipIfEqual || one.operation == Operation::kSkipIfBitClear ||
         one.operation == Operation::kSkipIfBitSet;
}
[[nodiscard]] inline bool is_branch(const Instruction& one) {
  return one.operation == Operation::kBranchIfSet || one.operation == Operation::kBranchIfClear;
}

constexpr unsigned kAllFlags = 0xFF;

/// One bit per flag, as they stand in the status register. A load or store by pointer may meet that register too; what
/// is not known to the operand reads as if it did.
[[nodiscard]] unsigned flags_read_by(const Instruction& one);
/// Flags that it surely sets.
[[nodiscard]] unsigned flags_set_by(const Instruction& one);
/// One bit per register. Those that a load or store by pointer happens to meet as memory are not among them.
[[nodiscard]] std::uint32_t registers_read_by(const Instruction& one);
/// Registers that it surely sets, and beside what its pointer may meet there are no others.
[[nodiscard]] std::uint32_t registers_set_by(const Instruction& one);

}  // namespace dawnrig::device
