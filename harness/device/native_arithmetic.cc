// Machine instructions of a run: arithmetic, and what of it stays in a register of this machine.
#if defined(__x86_64__)

#include "harness/device/native_writer_internal.h"
#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device {

using namespace native;
using Op = Operation;
using Kind = FlagRule::Kind;

namespace {

constexpr std::uint32_t kRegisters = 32;

asmjit::InstId id_of(const FlagRule& rule) {
  if (rule.kind == Kind::kSum) {
    return rule.takes_carry ? x86::Inst::kIdAdc : x86::Inst::kIdAdd;
  }
  return rule.takes_carry ? x86::Inst::kIdSbb : x86::Inst::kIdSub;
}

}  // namespace

void NativeWriter::load_to(const x86::Gp& to, std::uint32_t at, unsigned bytes) {
  bytes == 4 ? a_.mov(to, cell(at, bytes)) : a_.movzx(to, cell(at, bytes));
}

void NativeWriter::take(std::uint32_t at, unsigned bytes) {
  if (held_ != at || held_bytes_ != bytes) {
    load_to(x86::eax, at, bytes);
  }
  hold(at, bytes);
}

void NativeWriter::hold(std::uint32_t at, unsigned bytes) {
  held_ = at < kRegisters ? at : kNothing;  // other memory may be written to by pointer unseen
  held_bytes_ = bytes;
}

// It has been written to.
void NativeWriter::forget(std::uint32_t at, unsigned bytes) {
  if (at < held_ + held_bytes_ && held_ < at + bytes) {
    spoil();
  }
}

void NativeWriter::put_rax(std::uint32_t at, unsigned bytes) {
  a_.mov(cell(at, bytes), wide(x86::rax, bytes));
  hold(at, bytes);
}

void NativeWriter::move(std::uint32_t from, std::uint32_t to, unsigned bytes) {
  take(from, bytes);
  put_rax(to, bytes);
}

void NativeWriter::write_move(const NativeStep& step) {
  const Instruction& one = step.one;
  switch (one.operation) {
    case Op::kMov:
    case Op::kMovw:
      move(one.r, one.d, one.operation == Op::kMov ? 1 : 2);
      break;
    case Op::kLdi:
      write_constant(step);
      break;
    case Op::kSwap:
      take(one.d, 1);
      a_.rol(x86::al, 4);
      put_rax(one.d, 1);
      break;
    case Op::kBst:
      take(one.d, 1);
      a_.shr(x86::eax, one.b);
      a_.and_(x86::eax, 1);
      a_.mov(flag_cell(S_T), x86::al);
      spoil();
      break;
    case Op::kBld:
      take(one.d, 1);
      a_.and_(x86::eax, ~(1U << one.b) & 0xFFU);
      a_.movzx(x86::ecx, flag_cell(S_T));
      a_.shl(x86::ecx, one.b);
      a_.or_(x86::eax, x86::ecx);
      put_rax(one.d, 1);
      break;
    case Op::kSetFlag:
    case Op::kClearFlag:
      write_flag(step);
      break;
    default:
      break;  // does nothing
  }
}

// Two halves of a number at once where that is possible: reading both would have to wait for their way to memory.
void NativeWriter::write_constant(const NativeStep& step) {
  const std::uint32_t d = step.one.d;
  const std::uint32_t k = step.one.k & 0xFFU;
  if (k == 0 && step.count == 1 && held_ + 1 == d && held_bytes_ == 1) {
    put_rax(held_, 2);
    return;
  }
  const std::uint32_t both = step.count == 2 ? k | (code(step.at + 1).k & 0xFFU) << 8U : k;
  a_.mov(cell(d, step.count), both);
  forget(d, step.count);
}

// Of one, two or four bytes, in neighbouring registers or in parts; zeros above it. In parts spoils r9 and this
// machine's flags. `which`: the register of an instruction.
void NativeWriter::load(const x86::Gp& to, const NativeStep& step, bool in_parts, std::uint8_t Instruction::*which) {
  const unsigned part = in_parts ? step.bytes / 2 : step.bytes;
  load_to(to, step.one.*which, part);
  if (in_parts) {
    load_to(x86::r9d, code(step.at + part).*which, part);
    a_.shl(x86::r9d, 8 * part);
    a_.or_(to, x86::r9d);
  }
}

void NativeWriter::store(const NativeStep& step) {
  if (!step.first_in_parts) {
    put_rax(step.one.d, step.bytes);
    return;
  }
  spoil();
  // Through memory, which leaves the flags alone: where this very number is kept, if it is.
  a_.mov(kept(index_, 2), x86::eax);
  a_.mov(cell(step.one.d, 2), x86::ax);
  a_.movzx(x86::r9d, kept(index_, 2, 2, 2));
  a_.mov(cell(code(step.at + 2).d, 2), x86::r9w);
}

void NativeWriter::keep(const NativeStep& step, unsigned which, const x86::Gp& reg) {
  if (step.kept) {
    a_.mov(kept(index_, which), reg);
  }
}

void NativeWriter::write_arithmetic(const NativeStep& step) {
  switch (step.rule.kind) {
    case Kind::kSum:
    case Kind::kDifference:
      write_sum(step);
      break;
    case Kind::kLogic:
      write_logic(step);
      break;
    case Kind::kComplement:
      take(step.one.d, 1);
      a_.xor_(x86::eax, 0xFF);
      put_rax(step.one.d, 1);
      keep(step, 0, x86::eax);
      break;
    case Kind::kShift:
      write_shift(step);
      break;
    case Kind::kProduct:
      take(step.one.d, 1);
      a_.movzx(x86::ecx, cell(step.one.r, 1));
      a_.imul(x86::eax, x86::ecx);
      put_rax(0, 2);
      keep(step, 0, x86::eax);
      break;
    case Kind::kNone:
      break;
  }
}

void NativeWriter::load_first(const NativeStep& step) {
  if (step.first_in_parts) {
    load(x86::eax, step, true, &Instruction::d);
    spoil();
  } else {
    take(step.one.d, step.bytes);
  }
}

// Into this machine's own, unless it is there.
void NativeWriter::take_carry(bool there) {
  if (!there) {
    a_.movzx(x86::r9d, flag_cell(S_C));
    a_.add(x86::r9b, 0xFF);
  }
}

void NativeWriter::write_sum(const NativeStep& step) {
  const Instruction& one = step.one;
  const bool adds = step.rule.kind == Kind::kSum;
  const bool compares = one.operation == Op::kCp || one.operation == Op::kCpc || one.operation == Op::kCpi;
  const bool constant = has_constant(one);
  if (one.operation == Op::kNeg) {
    a_.movzx(x86::ecx, cell(one.d, 1));
    a_.xor_(x86::eax, x86::eax);
    spoil();
  } else {
    load_first(step);
    keep(step, 0, x86::eax);
    if (!constant) {
      load(x86::ecx, step, step.second_in_parts, &Instruction::r);
    } else if (step.bytes > 1) {
      a_.mov(x86::ecx, constant_of(step, from_.code));
    }
  }
  if (!constant) {
    keep(step, 1, x86::ecx);
  }
  if (step.rule.takes_carry) {
    take_carry(unseen_by(step, shown_) == 0);
  }
  if (one.operation == Op::kInc || one.operation == Op::kDec) {
    adds ? a_.inc(x86::al) : a_.dec(x86::al);
  } else if (constant && step.bytes == 1) {
    a_.emit(id_of(step.rule), x86::al, asmjit::Imm(static_cast<std::int8_t>(one.k)));
  } else {
    a_.emit(id_of(step.rule), wide(x86::rax, step.bytes), wide(x86::rcx, step.bytes));
  }
  if (compares) {
    spoil();
  } else {
    store(step);
  }
  if (step.rule.takes_carry) {
    keep(step, 2, x86::eax);
  }
}

void NativeWriter::write_logic(const NativeStep& step) {
  const Instruction& one = step.one;
  take(one.d, 1);
  const bool constant = has_constant(one);
  if (!constant) {
    a_.movzx(x86::ecx, cell(one.r, 1));
  }
  const asmjit::Imm k(static_cast<std::int8_t>(one.k));
  switch (one.operation) {
    case Op::kAndi:
      a_.and_(x86::al, k);
      break;
    case Op::kOri:
      a_.or_(x86::al, k);
      break;
    case Op::kAnd:
      a_.and_(x86::al, x86::cl);
      break;
    case Op::kOr:
      a_.or_(x86::al, x86::cl);
      break;
    default:
      a_.xor_(x86::al, x86::cl);
      break;
  }
  put_rax(one.d, 1);
  keep(step, 0, x86::eax);
}

void NativeWriter::write_shift(const NativeStep& step) {
  take(step.one.d, 1);
  keep(step, 0, x86::eax);
  if (step.one.operation == Op::kRor) {
    take_carry(unseen_by(step, shown_) == 0);
    a_.rcr(x86::al, 1);
  } else {
    step.one.operation == Op::kLsr ? a_.shr(x86::al, 1) : a_.sar(x86::al, 1);
  }
  put_rax(step.one.d, 1);
  keep(step, 1, x86::eax);
}

void NativeWriter::write_at_once(const NativeStep& step) {
  const unsigned own = machine_flags(step);
  put_machine_flags(a_, step.at_once & own);
  if (const unsigned others = step.at_once & ~own; others != 0) {
    put_flags(a_, trace_, index_, others, from_.code);
    spoil();
  }
}

}  // namespace dawnrig::device

#endif
