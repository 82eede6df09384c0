// How what an instruction does becomes a handler: alone, or together with the branch behind it.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device::forms {

using work::Flags;

/// The instruction, or so many of them, then the next one.
template <auto kWork, unsigned kCount = 1>
const BlockOp* then(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  kWork(data, *op, cpu.flag);
  return go_on(data, op + kCount, cpu);
}
template <class Work, Flags kFlags>
void with_flags(std::uint8_t* data, const BlockOp& op, std::uint8_t* flag) {
  const typename Work::Made made = Work::work(data, op, flag);
  Work::template put<kFlags>(flag, made);
}

/// Those that somebody may look at.
inline Flags wanted(unsigned live) {
  if (live == 0) {
    return Flags::kNone;
  }
  if ((live & ~work::kC) == 0) {
    return Flags::kCarry;
  }
  if ((live & ~(work::kC | work::kH)) == 0) {
    return Flags::kCarries;
  }
  return (live & ~(work::kC | work::kZ)) == 0 ? Flags::kCarryAndZero : Flags::kAll;
}

/// Which form: the leaner ones first, where there are any.
template <auto kNone, auto kCarry, auto kCarryAndZero, auto kCarries, auto kAll, unsigned kCount = 1>
BlockHandler form(unsigned live) {
  static constexpr BlockHandler kForms[] = {then<kNone, kCount>, then<kCarry, kCount>, then<kCarryAndZero, kCount>,
                                            then<kCarries, kCount>, then<kAll, kCount>};
  return kForms[static_cast<unsigned>(wanted(live))];
}
template <class Work, unsigned kCount = 1>
BlockHandler in_form(unsigned live) {
  return form<with_flags<Work, Flags::kNone>, with_flags<Work, Flags::kCarry>, with_flags<Work, Flags::kCarryAndZero>,
              with_flags<Work, Flags::kCarries>, with_flags<Work, Flags::kAll>, kCount>(live);
}

/// Rare, and kept apart so that the usual way has registers enough.
template <class Work, bool kTaken>
[[gnu::noinline]] const BlockOp* with_all_flags(std::uint8_t* data, const BlockOp* to, BlockCpu& cpu,
                                                typename Work::Made made) {
  Work::template put<Flags::kAll>(cpu.flag, made);
  return kTaken ? take_branch(data, to, cpu) : go_on(data, to, cpu);
}

enum class On : std::uint8_t { kCarry, kZero };

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
    const BlockOp* const to = branch + 1;
    if ((to->needs & kOthers) != 0) {
      return with_all_flags<Work, false>(data, to, cpu, made);
    }
    Work::template put<Flags::kCarryAndZero>(cpu.flag, made);
    return go_on(data, to, cpu);
  }
  const BlockOp* const target = branch->target();
  const Cycle left = cpu.left + static_cast<std::int16_t>(branch->k);
  if ((target->needs & kOthers) != 0 || left < 0) {
    return with_all_flags<Work, true>(data, branch, cpu, made);
  }
  Work::template put<Flags::kCarryAndZero>(cpu.flag, made);
  cpu.left = left;
  const BlockOp* const there = settled(target);
  return there->begin(data, there, cpu);
}

template <class Work, unsigned kCount = 1>
BlockHandler on_zero(const Instruction& branch) {
  if (branch.b != S_Z) {
    return nullptr;
  }
  return branch.operation == Operation::kBranchIfSet ? then_branch<Work, kCount, On::kZero, true>
                                                     : then_branch<Work, kCount, On::kZero, false>;
}
template <class Work, unsigned kCount = 1>
BlockHandler on_carry_or_zero(const Instruction& branch) {
  if (branch.b != S_C) {
    return on_zero<Work, kCount>(branch);
  }
  return branch.operation == Operation::kBranchIfSet ? then_branch<Work, kCount, On::kCarry, true>
                                                     : then_branch<Work, kCount, On::kCarry, false>;
}

}  // namespace dawnrig::device::forms
