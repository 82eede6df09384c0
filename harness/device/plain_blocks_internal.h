// Runs of plain instructions, executed as wholes: time is looked at once per run, and flags that the run itself
// overwrites before anybody can see them are not worked out.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>
#include <vector>

#include "harness/device/instruction.h"
#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

struct BlockOp;
struct BlockCpu;

constexpr std::uint8_t kMostAlike = 16;  ///< pushes, or pops, that one handler executes

/// Executes one instruction and those behind it up to the end of their run. Returns where to go on; nullptr: at
/// `cpu.stopped_at` stands one that is not for here, and everything is as before it.
using BlockHandler = const BlockOp* (*)(std::uint8_t* data, const BlockOp* op, std::uint8_t* flag, BlockCpu& cpu);

/// One per word of program memory, so that the instruction behind is the next element or the one after it.
struct BlockOp {
  BlockHandler go{nullptr};     ///< for the instruction before
  BlockHandler begin{nullptr};  ///< for whoever starts a run here; differs where a run was cut
  std::int32_t jump{0};         ///< how many words further its target stands
  std::uint16_t k{0};           ///< constant, data address or displacement
  std::uint16_t rest{0};        ///< cycles from here to the end of the run, if no branch is taken
  std::uint8_t d{0};
  std::uint8_t r{0};       ///< or the lower register of the pointer
  std::uint8_t b{0};       ///< which bit or flag
  std::uint8_t count{1};   ///< how many pushes, or pops, stand in a row from here; how many words a skip skips
  std::uint8_t needs{0};   ///< flags that must be right before it
  std::uint8_t length{0};  ///< instructions from here to the end of the run; none: it is not for here
};

struct BlockCpu {
  avr_t* avr{nullptr};
  const BlockOp* first{nullptr};  ///< of program memory
  std::uint32_t words{0};         ///< how many there are
  std::uint32_t ram_start{0};
  std::uint32_t ram_span{0};     ///< the last address of memory, counted from its first
  std::uint32_t stack_floor{0};  ///< a stack below is watched by somebody else
  Cycle left{0};                 ///< cycles until the next event, when the run at hand has ended
  const BlockOp* stopped_at{nullptr};

  /// Ends a run before the instruction at hand.
  const BlockOp* leave(const BlockOp* op) {
    left += op->rest;
    stopped_at = op;
    return nullptr;
  }
};

/// Where the next event stands decides how far runs may go: only those are begun that end by then. The rest, and every
/// instruction that is not plain or turns out not to be, is left to PlainRunner. Held to the simulator with it.
class PlainBlocks {
 public:
  explicit PlainBlocks(avr_t* avr);

  /// `code`: what stands at each word of program memory.
  void take(const std::vector<Instruction>& code);
  /// Executes whole runs from the program counter on that end by `until`.
  void run(Cycle until);

 private:
  void place(std::size_t at, const std::vector<Instruction>& code);

  BlockCpu cpu_;
  std::vector<BlockOp> ops_;
};

/// What an instruction is to a run.
struct BlockPart {
  enum class Kind : std::uint8_t {
    kSure,     ///< always executed
    kMayStop,  ///< may find that it is not plain
    kEndsRun,  ///< says where to go on; may find that it is not plain, too
  };
  BlockHandler handler{nullptr};  ///< nullptr: not for runs
  int cycles{1};                  ///< if no branch is taken
  Kind kind{Kind::kSure};
};
/// `live`: flags that somebody may look at before they are set again.
[[nodiscard]] BlockPart block_arithmetic(const Instruction& one, unsigned live);
/// Needs to know how many are in a row.
[[nodiscard]] BlockPart block_memory(const Instruction& one, const BlockCpu& cpu, const BlockOp& op);
[[nodiscard]] BlockPart block_flow(const Instruction& one, const BlockCpu& cpu);

}  // namespace dawnrig::device
