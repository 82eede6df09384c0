// Arithmetic with the branch that stands behind it, as one: most flags of a comparison are overwritten before anybody
// looks at them, whichever way the branch goes.
#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using work::Difference;
using work::Flags;
using work::Logic;
using work::Step;
using work::With;

enum class On : std::uint8_t { kCarry, kZero };

/// Rare, and kept apart so that the usual way has registers enough.
template <class Work>
[[gnu::noinline]] const BlockOp* with_all_flags(typename Work::Made made, const BlockOp* to, BlockCpu& cpu) {
  Work::template put<Flags::kAll>(cpu.flag, made);
  return to;
}

/// What can be needed of the flags is known where the run goes on. Where it ends it is known too, if the time is there
/// for the run that begins at the target: nothing stops that before it has got its flags right.
template <class Work, unsigned kCount, On kOn, bool kSet>
const BlockOp* then_branch(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  constexpr unsigned kOthers = Work::kSets & ~(work::kC | work::kZ);
  const typename Work::Made made = Work::work(data, *op, cpu.flag);
  bool flag = false;
  if constexpr (kOn == On::kCarry) {
    flag = Work::carry(made);
  } else {
    flag = Work::zero(made, cpu.flag);
  }
  const BlockOp* const branch = op + kCount;
  if (flag != kSet) {
    const BlockOp* to = branch + 1;
    if ((to->needs & kOthers) != 0) {
      to = with_all_flags<Work>(made, to, cpu);
    } else {
      Work::template put<Flags::kCarryAndZero>(cpu.flag, made);
    }
    return to->go(data, to, cpu);
  }
  const BlockOp* const target = branch->target();
  const Cycle left = cpu.left + branch->rest - 2;
  cpu.left = left;
  if ((target->needs & kOthers) != 0 || left < target->rest) {
    return with_all_flags<Work>(made, target, cpu);
  }
  Work::template put<Flags::kCarryAndZero>(cpu.flag, made);
  return go_to(data, target, cpu);
}

template <class Work, unsigned kCount = 1>
BlockHandler on_zero(const Instruction& branch) {
  if (branch.b != S_Z) {
    return nullptr;
  }
  return branch.operation == Op::kBranchIfSet ? then_branch<Work, kCount, On::kZero, true>
                                              : then_branch<Work, kCount, On::kZero, false>;
}
template <class Work, unsigned kCount = 1>
BlockHandler on_carry_or_zero(const Instruction& branch) {
  if (branch.b != S_C) {
    return on_zero<Work, kCount>(branch);
  }
  return branch.operation == Op::kBranchIfSet ? then_branch<Work, kCount, On::kCarry, true>
                                              : then_branch<Work, kCount, On::kCarry, false>;
}
template <class Work>
BlockHandler in_a_row(unsigned count, const Instruction& branch) {
  switch (count) {
    case 1:
      return on_carry_or_zero<Work>(branch);
    case 2:
      return on_carry_or_zero<work::Row<Work, 2>, 2>(branch);
    case 3:
      return on_carry_or_zero<work::Row<Work, 3>, 3>(branch);
    default:
      return on_carry_or_zero<work::Row<Work, kMostInARow>, kMostInARow>(branch);
  }
}

}  // namespace

BlockHandler block_arithmetic_and_branch(const Instruction& one, unsigned row, const Instruction& branch) {
  if (branch.operation != Op::kBranchIfSet && branch.operation != Op::kBranchIfClear) {
    return nullptr;
  }
  switch (one.operation) {
    case Op::kSub:
      return on_carry_or_zero<Difference<With::kRegister, false, true>>(branch);
    case Op::kSbc:
      return in_a_row<Difference<With::kRegister, true, true>>(row, branch);
    case Op::kCp:
      return on_carry_or_zero<Difference<With::kRegister, false, false>>(branch);
    case Op::kCpc:
      return in_a_row<Difference<With::kRegister, true, false>>(row, branch);
    case Op::kCpi:
      return on_carry_or_zero<Difference<With::kConstant, false, false>>(branch);
    case Op::kSubi:
      return on_carry_or_zero<Difference<With::kConstant, false, true>>(branch);
    case Op::kSbci:
      return on_carry_or_zero<Difference<With::kConstant, true, true>>(branch);
    case Op::kAnd:
      return on_zero<Logic<With::kRegister, '&'>>(branch);
    case Op::kOr:
      return on_zero<Logic<With::kRegister, '|'>>(branch);
    case Op::kEor:
      return on_zero<Logic<With::kRegister, '^'>>(branch);
    case Op::kAndi:
      return on_zero<Logic<With::kConstant, '&'>>(branch);
    case Op::kOri:
      return on_zero<Logic<With::kConstant, '|'>>(branch);
    case Op::kInc:
      return on_zero<Step<true>>(branch);
    case Op::kDec:
      return on_zero<Step<false>>(branch);
    default:
      return nullptr;
  }
}

}  // namespace dawnrig::device
