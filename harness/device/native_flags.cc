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
        put_machine_flags(a_, flags_ & (work::kZ | work::kSigned));  // none of them has overflowed
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
        put_machine_flags(a_, flags_ & work::kZ);
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
    put_machine_flags(a_, flags_ & machine_flags(step_));
    if (wants(S_Z) && step_.rule.keeps_zero) {  // which may only clear the one before
      a_.setz(x86::r8b);
      a_.and_(flag_cell(S_Z), x86::r8b);
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
    put_machine_flags(a_, flags_ & (work::kZ | 1U << S_N));
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

void put_machine_flags(x86::Assembler& a, unsigned flags) {
  const auto wants = [flags](unsigned flag) { return (flags >> flag & 1U) != 0; };
  if (wants(S_C)) {
    a.setc(flag_cell(S_C));
  }
  if (wants(S_Z)) {
    a.setz(flag_cell(S_Z));
  }
  if (wants(S_N)) {
    a.sets(flag_cell(S_N));
  }
  if (wants(S_V)) {
    a.seto(flag_cell(S_V));
  }
  if (wants(S_S)) {
    a.setl(flag_cell(S_S));
  }
}

void put_flags(x86::Assembler& a, const NativeTrace& trace, std::size_t step, unsigned flags,
               const std::vector<Instruction>& code) {
  FlagPutter(a, trace.steps[step], step, flags).put(code);
}

}  // namespace dawnrig::device::native

#endif
