// Machine instructions of a run: its flow. And where they are kept.
#include "harness/device/native_run_internal.h"

#if defined(__x86_64__)

#include "harness/device/native_writer_internal.h"
#include "harness/device/plain_block_work_internal.h"

namespace dawnrig::device {

using namespace native;
using Op = Operation;

namespace {

constexpr int kOpBytes = sizeof(BlockOp);

x86::Mem left() {
  return x86::qword_ptr(kCpu, static_cast<std::int32_t>(offsetof(BlockCpu, left)));
}

}  // namespace

void NativeWriter::write() {
  for (index_ = 0; index_ < trace_.steps.size(); ++index_) {
    const NativeStep& step = trace_.steps[index_];
    write_step(step);
    shown_ = shown_behind(step, shown_);
    open_.pass(index_, step);
  }
  write_end();
  for (std::size_t i = 0; i < rare_.size(); ++i) {  // which may ask for more
    const std::function<void()> one = rare_[i];
    one();
  }
}

void NativeWriter::point_to(std::size_t at) {
  const auto words =
      static_cast<std::int32_t>(static_cast<std::ptrdiff_t>(at) - static_cast<std::ptrdiff_t>(trace_.first));
  if (words != 0) {
    a_.add(kOp, words * kOpBytes);
  }
}

void NativeWriter::put(const Open& open, unsigned flags) {
  for (const OpenFlags::Of& one : open) {
    if ((one.flags & flags) != 0) {
      put_flags(a_, trace_, one.step, one.flags & flags, from_.code);
    }
  }
}

// For the handler of the instruction at hand, which has not begun.
asmjit::Label NativeWriter::not_plain(std::size_t at) {
  const Label here = a_.newLabel();
  rarely([this, here, at, open = open_.all()] {
    a_.bind(here);
    put(open, kAllFlags);
    point_to(at);
    a_.mov(x86::rax, reinterpret_cast<std::uint64_t>(plain_[at]));
    a_.jmp(x86::rax);
  });
  return here;
}

// For the run at `target`, `cycles` of time given back, its own paid. Flags that it needs are put; of the others it is
// asked when that comes, since whoever stops there may look at any.
void NativeWriter::begin(std::size_t target, int cycles, const Open& open, unsigned open_flags) {
  const unsigned needed = open_flags & op(target).needs;
  put(open, needed);
  point_to(target);
  begin_there(
      open, open_flags & ~needed, [this, cycles] { a_.add(left(), cycles); },
      [this, rest = op(target).rest] { a_.add(left(), rest); });
}

void NativeWriter::begin_there(const Open& open, unsigned others, const std::function<void()>& pay,
                               const std::function<void()>& give_back) {
  const Label with_care = a_.newLabel();
  pay();
  a_.js(with_care);
  if (others != 0) {
    a_.test(of_op(offsetof(BlockOp, needs), 1), static_cast<std::uint8_t>(others));
    a_.jnz(with_care);
  }
  a_.jmp(of_op(offsetof(BlockOp, begin), 8));
  rarely([this, with_care, open, others, give_back] {
    const Label late = a_.newLabel();
    a_.bind(with_care);
    put(open, others);
    a_.cmp(left(), 0);
    a_.jl(late);
    a_.jmp(of_op(offsetof(BlockOp, begin), 8));
    a_.bind(late);
    give_back();
    a_.mov(x86::rax, kOp);
    a_.ret();
  });
}

void NativeWriter::write_end() {
  switch (trace_.end) {
    case NativeTrace::End::kGoesOn:
      put(open_.all(), op(trace_.last).needs);
      point_to(trace_.last);
      a_.jmp(of_op(offsetof(BlockOp, go), 8));
      break;
    case NativeTrace::End::kBegins:
      begin(trace_.last, -static_cast<int>(op(trace_.last).rest), open_.all(), open_.flags());
      break;
    case NativeTrace::End::kReturns:
      write_return(trace_.last);
      break;
  }
}

void NativeWriter::write_return(std::size_t at) {
  const Label leave = not_plain(at);
  load_stack_pointer();
  check_stack(2, false, leave);
  a_.movzx(x86::ecx, x86::word_ptr(kData, x86::rax, 0, 1));
  a_.xchg(x86::cl, x86::ch);
  a_.cmp(x86::ecx, from_.cpu.words);
  a_.jae(leave);
  a_.add(x86::eax, 2);
  a_.mov(cell(R_SPL, 2), x86::ax);
  static_assert(kOpBytes == 32);
  a_.shl(x86::ecx, 5);
  a_.lea(kOp, x86::ptr(kOp, x86::rcx, 0, -static_cast<std::int32_t>(trace_.first) * kOpBytes));
  const auto rest = [this] { a_.movzx(x86::r10d, of_op(offsetof(BlockOp, rest), 2)); };
  begin_there(
      open_.all(), open_.flags(),
      [this, rest] {
        rest();
        a_.sub(left(), x86::r10);
      },
      [this, rest] {
        rest();
        a_.add(left(), x86::r10);
      });
}

void NativeWriter::write_step(const NativeStep& step) {
  if (step.rule.kind != FlagRule::Kind::kNone) {
    write_arithmetic(step);
    write_at_once(step);
    return;
  }
  switch (step.one.operation) {
    case Op::kCall:
      write_call(step);
      break;
    case Op::kBranchIfSet:
    case Op::kBranchIfClear:
      write_branch(step);
      break;
    case Op::kSkipIfEqual:
    case Op::kSkipIfBitClear:
    case Op::kSkipIfBitSet:
      write_skip(step);
      break;
    case Op::kLoad:
    case Op::kStore:
    case Op::kLoadByPointer:
    case Op::kStoreByPointer:
    case Op::kPush:
    case Op::kPop:
    case Op::kLoadProgram:
      write_memory(step);
      break;
    default:
      write_move(step);
      break;
  }
}

void NativeWriter::write_branch(const NativeStep& step) {
  const Label taken = a_.newLabel();
  const bool if_set = step.one.operation == Op::kBranchIfSet;
  if (unseen_by(step, shown_) != 0) {
    a_.cmp(flag_cell(step.one.b), 0);
    if_set ? a_.jnz(taken) : a_.jz(taken);
  } else {
    branch_on_shown(step.one.b, if_set, taken);
  }
  taken_rarely(taken, step.one.k / 2U, static_cast<std::int16_t>(op(step.at).k));
}

void NativeWriter::branch_on_shown(unsigned flag, bool if_set, const Label& taken) {
  switch (flag) {
    case S_C:
      if_set ? a_.jc(taken) : a_.jnc(taken);
      break;
    case S_Z:
      if_set ? a_.jz(taken) : a_.jnz(taken);
      break;
    case S_N:
      if_set ? a_.js(taken) : a_.jns(taken);
      break;
    case S_V:
      if_set ? a_.jo(taken) : a_.jno(taken);
      break;
    default:
      if_set ? a_.jl(taken) : a_.jge(taken);
      break;
  }
}

// As the handlers have it: enable_interrupts() and disable_interrupts() in plain_block_flow.cc.
void NativeWriter::write_flag(const NativeStep& step) {
  const unsigned flag = step.one.b;
  const bool sets = step.one.operation == Op::kSetFlag;
  avr_t* const avr = from_.cpu.avr;
  const Label done = a_.newLabel();
  if (flag == S_I && sets) {
    const Label waits = not_plain(step.at);
    const auto& queue = avr->interrupts.pending;
    a_.cmp(flag_cell(S_I), 0);
    a_.jnz(done);
    a_.mov(x86::r9, reinterpret_cast<std::uint64_t>(&queue.read));
    a_.movzx(x86::ecx, x86::word_ptr(x86::r9));
    static_assert(sizeof queue.read == 2);
    a_.mov(x86::r9, reinterpret_cast<std::uint64_t>(&queue.write));
    a_.cmp(x86::cx, x86::word_ptr(x86::r9));
    a_.jnz(waits);
    a_.cmp(left(), 1 - static_cast<int>(op(step.at).rest));
    a_.jle(waits);
  }
  if (flag == S_I) {
    a_.mov(x86::r9, reinterpret_cast<std::uint64_t>(&avr->interrupt_state));
    a_.mov(x86::byte_ptr(x86::r9), 0);
  }
  a_.mov(flag_cell(flag), sets ? 1 : 0);
  a_.bind(done);
}

void NativeWriter::taken_rarely(const Label& taken, std::size_t target, int cycles) {
  rarely([this, taken, target, cycles, open = open_.all(), flags = open_.flags()] {
    a_.bind(taken);
    begin(target, cycles, open, flags);
  });
}

void NativeWriter::write_skip(const NativeStep& step) {
  const Instruction& one = step.one;
  const Label taken = a_.newLabel();
  take(one.d, 1);
  if (one.operation == Op::kSkipIfEqual) {
    a_.cmp(x86::al, cell(one.r, 1));
    a_.jz(taken);
  } else {
    a_.test(x86::al, 1U << one.b);
    one.operation == Op::kSkipIfBitClear ? a_.jz(taken) : a_.jnz(taken);
  }
  const BlockOp& skip = op(step.at);
  const std::size_t target = step.at + 1 + skip.count;
  taken_rarely(taken, target, skip.rest - (1 + skip.count) - op(target).rest);
}

void NativeWriter::write_call(const NativeStep& step) {
  const std::uint16_t back = op(step.at).k;
  load_stack_pointer();
  check_stack(4, true, not_plain(step.at));  // more than it takes: just where the handler leaves, too
  a_.mov(x86::word_ptr(kData, x86::rax, 0, -1), work::swapped(back));
  a_.sub(x86::eax, 2);
  a_.mov(cell(R_SPL, 2), x86::ax);
}

struct NativeRuns::Machine final : asmjit::ErrorHandler {
  void handleError(asmjit::Error /*error*/, const char* /*message*/, asmjit::BaseEmitter* /*origin*/) override {
    failed = true;
  }
  asmjit::JitRuntime runtime;
  bool failed{false};
};

NativeRuns::NativeRuns() : machine_(std::make_unique<Machine>()) {}
NativeRuns::~NativeRuns() = default;

BlockHandler NativeRuns::translated(const RunSource& from, const NativeTrace& trace,
                                    std::span<const BlockHandler> plain) {
  asmjit::CodeHolder code;
  if (code.init(machine_->runtime.environment()) != asmjit::kErrorOk) {
    return nullptr;
  }
  machine_->failed = false;
  code.setErrorHandler(machine_.get());
  NativeWriter(code, from, trace, plain).write();
  BlockHandler handler = nullptr;
  const bool added = !machine_->failed && machine_->runtime.add(&handler, &code) == asmjit::kErrorOk;
  return added ? handler : nullptr;
}

}  // namespace dawnrig::device

#else

namespace dawnrig::device {

struct NativeRuns::Machine {};
NativeRuns::NativeRuns() = default;
NativeRuns::~NativeRuns() = default;
BlockHandler NativeRuns::translated(const RunSource& /*from*/, const NativeTrace& /*trace*/,
                                    std::span<const BlockHandler> /*plain*/) {
  return nullptr;
}

}  // namespace dawnrig::device

#endif
