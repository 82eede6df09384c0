// What an instruction, or some in a row, becomes in a run: who executes it, and how.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "harness/device/plain_blocks_internal.h"

namespace dawnrig::device {

/// Those from there on of which each surely follows the one before, if it does not jump. Returns how many.
std::size_t surely_behind(std::span<const BlockOp> ops, const std::vector<Instruction>& code, std::size_t at,
                          std::array<Instruction, kMostAsOne>& along);

/// What an instruction is to a run.
struct BlockPart {
  enum class Kind : std::uint8_t {
    kSure,      ///< always executed
    kMayStop,   ///< may find that it is not plain
    kBranches,  ///< may end the run instead, and say where to go on
    kEndsRun,   ///< says where to go on; may find that it is not plain, too
  };
  BlockHandler handler{nullptr};  ///< nullptr: not for runs
  int cycles{1};                  ///< if no branch is taken
  Kind kind{Kind::kSure};
};
/// How many instructions from this one on a handler for arithmetic executes, if `count` of this operation stand in a
/// row.
[[nodiscard]] unsigned arithmetic_in_a_row(const Instruction& one, unsigned count);
/// `row`: so many of them. `live`: flags that somebody may look at behind the last before they are set again.
[[nodiscard]] BlockPart block_arithmetic(const Instruction& one, unsigned row, unsigned live);
/// Those and the branch behind the last as one, if `branch` is one and there is a form for that; nullptr: there is not.
[[nodiscard]] BlockHandler block_arithmetic_and_branch(const Instruction& one, unsigned row, const Instruction& branch);
/// How many instructions from the first on work out one number byte by byte, for which there is a form as a whole; 1:
/// there is not. `code`: the first, and those that surely follow it.
[[nodiscard]] unsigned bytes_in_chain(std::span<const Instruction> code);
/// Those instructions and no others; as above.
[[nodiscard]] BlockHandler block_chain(std::span<const Instruction> code, unsigned live);
[[nodiscard]] BlockHandler block_chain_and_branch(std::span<const Instruction> code, const Instruction& branch);
/// Loads or stores that lie one behind another in memory and in registers, from the first on; taken up, or down.
struct MemoryRow {
  unsigned count{1};
  bool down{false};
};
[[nodiscard]] MemoryRow memory_row(std::span<const Instruction> code, const BlockCpu& cpu);
/// Memory, or a register that nobody owns.
[[nodiscard]] bool is_plain_cell(const BlockCpu& cpu, std::uint32_t address, bool loads);
/// A load or store at the address of a register with an owner, or of a single bit of any.
[[nodiscard]] BlockPart block_register(const Instruction& one, const BlockCpu& cpu);
/// By a pointer, of an instruction that leaves it as it is, which turned out not to point to memory.
const BlockOp* load_by_register(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu);
const BlockOp* store_by_register(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu);
/// The first two or four as one, if there is a form for that; nullptr: there is not.
[[nodiscard]] BlockHandler block_memory_row(std::span<const Instruction> code, const BlockCpu& cpu);
/// The first of them as one: the beginning or end of an interrupt routine. nullptr: they are neither.
[[nodiscard]] BlockHandler block_routine(std::span<const Instruction> code, const BlockCpu& cpu);
/// `out SREG`.
const BlockOp* write_flags(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu);
/// Needs to know how many are in a row.
[[nodiscard]] BlockPart block_memory(const Instruction& one, const BlockCpu& cpu, const BlockOp& op);
/// `goes_on`: the run goes on at the target of a jump or call.
[[nodiscard]] BlockPart block_flow(const Instruction& one, const BlockCpu& cpu, bool goes_on);

}  // namespace dawnrig::device
