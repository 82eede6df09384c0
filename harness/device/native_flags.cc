// Flags out of the numbers that they follow from, as the one-at-a-time forms in plain_arithmetic.cc have them.
#if defined(__x86_64__)

#include "harness/device/native_writer_internal.h"
#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device::native {
namespace {

using Op = Operation;
using Kind = FlagRule::Kind;

class FlagPutter {
 public:
  FlagPutter(x86::Assembler& a, const NativeStep& step, std::size_t index, unsigned flags)
      : a_(a), step_(step), index_(index), flags_(flags) {}

  void put(const std::vector<Instruction>& code) {
    switch (step_.rule.kind) {
      case Kind::kSum:
      case Kind::kDifference:
        put_sum(code);
        break;
      case Kind::kLogic:
      case Kind::kComplement:
        a_.mov(x86::eax, kept(index_, 0));
        a_.test(x86::al, x86::al);
        put_signs_without_overflow();
        if (wants(S_C)) {
          a_.mov(flag_cell(S_C), 1);
        }
        break;
      case Kind::kShift:
        put_shift();
        break;
      case Kind::kProduct:
        a_.mov(x86::eax, kept(index_, 0));
        a_.test(x86::eax, x86::eax);
        if (wants(S_Z)) {
          a_.setz(flag_cell(S_Z));
        }
        if (wants(S_C)) {
          a_.shr(x86::eax, 15);
          a_.mov(flag_cell(S_C), x86::al);
        }
        break;
      case Kind::kNone:
        break;
    }
  }

 private:
  [[nodiscard]] bool wants(unsigned flag) const { return (flags_ >> flag & 1U) != 0; }

  // The machine's own flags are those of the sum or difference by then.
  void put_machine_flags() {
    if (wants(S_C)) {
      a_.setc(flag_cell(S_C));
    }
    if (wants(S_N)) {
      a_.sets(flag_cell(S_N));
    }
    if (wants(S_V)) {
      a_.seto(flag_cell(S_V));
    }
    if (wants(S_S)) {
      a_.setl(flag_cell(S_S));
    }
    if (wants(S_Z) && !step_.rule.highest_zero) {
      a_.setz(x86::r8b);  // put further down: it may only clear the one before
    }
  }

  // As it was worked out, once more: what the carry was before follows from the result.
  void put_sum(const std::vector<Instruction>& code) {
    const bool adds = step_.rule.kind == Kind::kSum;
    const unsigned bits = 8 * step_.bytes;
    const x86::Gp a = wide(x86::rax, step_.bytes);
    const x86::Gp b = wide(x86::rcx, step_.bytes);
    if (step_.one.operation == Op::kNeg) {
      a_.xor_(x86::eax, x86::eax);
    } else {
      a_.mov(x86::eax, kept(index_, 0));
    }
    if (has_constant(step_.one)) {
      a_.mov(x86::ecx, constant_of(step_, code));
    } else {
      a_.mov(x86::ecx, kept(index_, 1));
    }
    if (wants(S_H)) {
      a_.mov(x86::r9d, x86::eax);
      a_.xor_(x86::r9d, x86::ecx);
    }
    if (step_.rule.takes_carry) {
      carry_before(adds);
      adds ? a_.adc(a, b) : a_.sbb(a, b);
    } else {
      adds ? a_.add(a, b) : a_.sub(a, b);
    }
    put_machine_flags();
    if (wants(S_Z) && !step_.rule.highest_zero) {
      step_.rule.keeps_zero ? a_.and_(flag_cell(S_Z), x86::r8b) : a_.mov(flag_cell(S_Z), x86::r8b);
    }
    if (wants(S_H)) {
      a_.xor_(x86::r9d, x86::eax);
      a_.shr(x86::r9d, bits - 4);
      a_.and_(x86::r9d, 1);
      a_.mov(flag_cell(S_H), x86::r9b);
    }
    if (wants(S_Z) && step_.rule.highest_zero) {
      a_.shr(x86::eax, bits - 8);
      a_.setz(flag_cell(S_Z));
    }
  }
  void carry_before(bool adds) {
    const x86::Mem result = kept(index_, 2);
    if (adds) {
      a_.mov(x86::r8d, result);
      a_.sub(x86::r8d, x86::eax);
      a_.sub(x86::r8d, x86::ecx);
    } else {
      a_.mov(x86::r8d, x86::eax);
      a_.sub(x86::r8d, x86::ecx);
      a_.sub(x86::r8d, result);
    }
    a_.shr(x86::r8d, 1);
  }

  void put_signs_without_overflow() {
    if (wants(S_Z)) {
      a_.setz(flag_cell(S_Z));
    }
    if (wants(S_N)) {
      a_.sets(flag_cell(S_N));
    }
    if (wants(S_S)) {
      a_.sets(flag_cell(S_S));
    }
    if (wants(S_V)) {
      a_.mov(flag_cell(S_V), 0);
    }
  }

  // What falls out is the carry; N and V differ by just that, so that S is the carry too.
  void put_shift() {
    a_.mov(x86::eax, kept(index_, 0));
    a_.mov(x86::ecx, kept(index_, 1));
    a_.and_(x86::eax, 1);
    if (wants(S_C)) {
      a_.mov(flag_cell(S_C), x86::al);
    }
    if (wants(S_S)) {
      a_.mov(flag_cell(S_S), x86::al);
    }
    a_.test(x86::cl, x86::cl);
    if (wants(S_Z)) {
      a_.setz(flag_cell(S_Z));
    }
    if (wants(S_N)) {
      a_.sets(flag_cell(S_N));
    }
    if (wants(S_V)) {
      a_.sets(x86::r9b);
      a_.xor_(x86::r9b, x86::al);
      a_.mov(flag_cell(S_V), x86::r9b);
    }
  }

  x86::Assembler& a_;
  const NativeStep& step_;
  std::size_t index_;
  unsigned flags_;
};

}  // namespace

std::uint32_t constant_of(const NativeStep& step, const std::vector<Instruction>& code) {
  if (step.one.operation == Op::kInc || step.one.operation == Op::kDec) {
    return 1;
  }
  std::uint32_t all = 0;
  for (unsigned i = step.count; i-- > 0;) {
    all = all << 8U | (code[step.at + i].k & 0xFFU);
  }
  return all;
}

void put_flags(x86::Assembler& a, const NativeTrace& trace, std::size_t step, unsigned flags,
               const std::vector<Instruction>& code) {
  FlagPutter(a, trace.steps[step], step, flags).put(code);
}

}  // namespace dawnrig::device::native

#endif
