// Arithmetic with the branch that stands behind it, as one: most flags of a comparison are overwritten before anybody
// looks at them, whichever way the branch goes.
#include "harness/device/plain_block_forms_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using forms::on_carry_or_zero;
using forms::on_zero;
using work::Difference;
using work::Logic;
using work::Step;
using work::With;

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
