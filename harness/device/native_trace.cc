// What a run does in a straight line, and which of its flags somebody needs.
#include <algorithm>
#include <array>
#include <numeric>
#include <utility>

#include "harness/device/native_run_internal.h"
#include "harness/device/plain_block_work_internal.h"
#include "harness/device/quiet_register_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Kind = FlagRule::Kind;
using work::kC;
using work::kH;
using work::kSigned;
using work::kZ;

constexpr unsigned kArithmetic = kC | kZ | kSigned | kH;

FlagRule sum(bool carries) {
  return {Kind::kSum, kArithmetic, carries};
}
FlagRule difference(bool carries) {
  return {Kind::kDifference, kArithmetic, carries, carries};
}

FlagRule rule_of(const Instruction& one) {
  switch (one.operation) {
    case Op::kAdd:
    case Op::kAdc:
      return sum(one.operation == Op::kAdc);
    case Op::kSub:
    case Op::kCp:
    case Op::kSubi:
    case Op::kCpi:
    case Op::kNeg:
      return difference(false);
    case Op::kSbc:
    case Op::kCpc:
    case Op::kSbci:
      return difference(true);
    case Op::kInc:
      return {Kind::kSum, kZ | kSigned};
    case Op::kDec:
      return {Kind::kDifference, kZ | kSigned};
    case Op::kAdiw:
      return {Kind::kSum, kC | kZ | kSigned};
    case Op::kSbiw:
      return {Kind::kDifference, kC | kZ | kSigned};
    case Op::kAnd:
    case Op::kOr:
    case Op::kEor:
    case Op::kAndi:
    case Op::kOri:
      return {Kind::kLogic, kZ | kSigned};
    case Op::kCom:
      return {Kind::kComplement, kC | kZ | kSigned};
    case Op::kLsr:
    case Op::kAsr:
    case Op::kRor:
      return {Kind::kShift, kC | kZ | kSigned, one.operation == Op::kRor};
    case Op::kMul:
      return {Kind::kProduct, kC | kZ};
    default:
      return {};
  }
}

bool is_sreg(const Instruction& one) {
  return one.bytes == 2 && one.k == R_SREG;
}

class Collector {
 public:
  explicit Collector(const RunSource& from) : from_(from) {}

  NativeTrace collect(std::size_t at);

 private:
  const Instruction& code(std::size_t at) const { return from_.code[at]; }
  std::size_t next(std::size_t at) const { return at + code(at).bytes / 2U; }
  bool short_address() const { return from_.cpu.avr->address_size == 2; }
  // Whether the run that jumps from there goes on at the target.
  bool goes_on(std::size_t at) const { return code(at).k / 2U > at && joins(from_.ops[code(at).k / 2U]); }
  bool is_native(const Instruction& one) const;
  bool is_kept(const Instruction& one) const {
    return one.operation == Op::kStore && kept_write(from_.cpu.avr, one.k) != nullptr;
  }
  NativeStep step(std::size_t at) const;
  void end(NativeTrace::End how, std::size_t at);
  // Returns where the run goes on; nullopt: it has ended.
  std::optional<std::size_t> flow(std::size_t at);

  const RunSource& from_;
  NativeTrace trace_;
};

bool Collector::is_native(const Instruction& one) const {
  switch (one.operation) {
    case Op::kLoad:
      return is_sreg(one) || is_plain_cell(from_.cpu, one.k, true) || noted_read(from_.cpu.avr, one.k) != nullptr;
    case Op::kStore:
      return !is_sreg(one) && (is_plain_cell(from_.cpu, one.k, false) || is_kept(one));
    case Op::kCall:
    case Op::kReturn:
      return short_address();
    case Op::kReturnFromInterrupt:
    case Op::kSleep:
    case Op::kSetCellBit:
    case Op::kClearCellBit:
      return false;
    default:
      return true;
  }
}

NativeStep Collector::step(std::size_t at) const {
  const BlockOp& op = from_.ops[at];
  std::array<Instruction, kMostAsOne> along;
  const std::span<const Instruction> here(along.data(), surely_behind(from_.ops, from_.code, at, along));
  NativeStep step;
  step.at = at;
  step.one = code(at);
  step.rule = rule_of(step.one);
  step.reads = step.rule.takes_carry ? kC : 0U;
  switch (step.one.operation) {
    case Op::kLoad:
    case Op::kStore:
    case Op::kLoadByPointer:
    case Op::kStoreByPointer:
      step.may_leave = step.one.pointer != 0 || is_kept(step.one);
      step.takes_all = is_sreg(step.one);
      step.count = step.takes_all ? 1U : memory_row(here, from_.cpu).count;
      break;
    case Op::kSetFlag:
      step.may_leave = step.one.b == S_I;
      break;
    case Op::kPush:
    case Op::kPop:
      step.may_leave = true;
      step.count = op.count;
      break;
    case Op::kLoadProgram:
      step.may_leave = true;
      break;
    case Op::kAdiw:
    case Op::kSbiw:
      step.bytes = 2;
      break;
    case Op::kLdi:
      step.count = here.size() > 1 && here[1].operation == Op::kLdi && here[1].d == step.one.d + 1 ? 2U : 1U;
      break;
    default:
      step.count = step.bytes = bytes_in_chain(here);
      step.rule.highest_zero = step.rule.kind == Kind::kSum && step.bytes > 1;
      for (unsigned i = 1; i < step.bytes; ++i) {
        step.first_in_parts = step.first_in_parts || here[i].d != step.one.d + i;
        step.second_in_parts = step.second_in_parts || (!has_constant(step.one) && here[i].r != step.one.r + i);
      }
      break;
  }
  return step;
}

void Collector::end(NativeTrace::End how, std::size_t at) {
  trace_.end = how;
  trace_.last = at;
}

std::optional<std::size_t> Collector::flow(std::size_t at) {
  const Instruction& one = code(at);
  NativeStep step;
  step.at = at;
  step.one = one;
  switch (one.operation) {
    case Op::kJump:
      if (goes_on(at)) {
        return one.k / 2U;
      }
      end(NativeTrace::End::kBegins, one.k / 2U);
      return std::nullopt;
    case Op::kCall:
      step.may_leave = true;
      trace_.steps.push_back(step);
      if (goes_on(at)) {
        return one.k / 2U;
      }
      end(NativeTrace::End::kBegins, one.k / 2U);
      return std::nullopt;
    case Op::kReturn:
      end(NativeTrace::End::kReturns, at);
      return std::nullopt;
    default:
      step.reads = is_branch(one) ? static_cast<std::uint8_t>(1U << one.b) : std::uint8_t{0};
      trace_.steps.push_back(step);
      return next(at);
  }
}

NativeTrace Collector::collect(std::size_t at) {
  trace_.first = at;
  for (;;) {
    const Instruction& one = code(at);
    const BlockOp& op = from_.ops[at];
    const bool goes_by = op.length != 0 && (at == trace_.first || joins(op));
    if (!goes_by || !is_native(one)) {
      end(NativeTrace::End::kGoesOn, at);
      if (goes_by && op.length > 1) {
        trace_.behind = one.operation == Op::kCall ? one.k / 2U : next(at);
      }
      return std::move(trace_);
    }
    if (one.operation >= Op::kBranchIfSet && one.operation <= Op::kSkipIfBitSet) {
      const std::optional<std::size_t> on = flow(at);
      if (!on) {
        return std::move(trace_);
      }
      at = *on;
      continue;
    }
    const NativeStep& now = trace_.steps.emplace_back(step(at));
    for (unsigned i = 0; i < now.count; ++i) {
      at = next(at);
    }
  }
}

// Whoever reads a flag that this machine's own flags do not show has it put where it belongs.
class FlagReader {
 public:
  explicit FlagReader(NativeTrace& trace) : steps_(trace.steps) {}
  // Until nothing changes: what is put there may spoil this machine's flags for somebody else.
  void settle() {
    while (pass()) {
    }
  }

 private:
  bool pass() {
    changed_ = false;
    unsigned shown = 0;
    for (std::size_t i = 0; i < steps_.size(); ++i) {
      const NativeStep& step = steps_[i];
      const unsigned unseen = unseen_by(step, shown);
      for (unsigned flag = 0; flag < 8; ++flag) {
        if ((unseen >> flag & 1U) != 0) {
          ask(i, 1U << flag);
        }
      }
      shown = shown_behind(step, shown);
    }
    return changed_;
  }
  void ask(std::size_t before, unsigned flag) {
    while (before-- > 0) {
      NativeStep& step = steps_[before];
      if (step.takes_all) {
        return;  // all of them are where they belong by then
      }
      if ((step.rule.sets & flag) != 0) {
        changed_ = changed_ || (step.at_once & flag) == 0;
        step.at_once = static_cast<std::uint8_t>(step.at_once | flag);
        if (flag != kZ || !step.rule.keeps_zero) {
          return;
        }
      }
    }
  }

  std::vector<NativeStep>& steps_;
  bool changed_{false};
};

}  // namespace

bool has_constant(const Instruction& one) {
  switch (one.operation) {
    case Op::kCpi:
    case Op::kSubi:
    case Op::kSbci:
    case Op::kAndi:
    case Op::kOri:
    case Op::kAdiw:
    case Op::kSbiw:
    case Op::kInc:
    case Op::kDec:
      return true;
    default:
      return false;
  }
}

unsigned shown_behind(const NativeStep& step, unsigned shown) {
  if (step.rule.kind != Kind::kNone) {
    const unsigned own = machine_flags(step);
    return (step.at_once & ~own) != 0 ? 0U : own;
  }
  if (is_branch(step.one)) {
    return unseen_by(step, shown) != 0 ? 0U : shown;
  }
  if (!is_a_move(step)) {
    return 0;
  }
  const bool puts = step.one.operation == Op::kSetFlag || step.one.operation == Op::kClearFlag;
  return puts ? shown & ~(1U << step.one.b) : shown;
}

unsigned machine_flags(const NativeStep& step) {
  const FlagRule& rule = step.rule;
  switch (rule.kind) {
    case Kind::kSum:
    case Kind::kDifference: {
      const bool zero = !rule.keeps_zero && !rule.highest_zero;
      return rule.sets & (kC | kSigned | (zero ? kZ : 0U));
    }
    case Kind::kLogic:
      return kZ | kSigned;
    case Kind::kShift:
      return kC;
    default:
      return 0;
  }
}

bool is_a_move(const NativeStep& step) {
  switch (step.one.operation) {
    case Op::kMov:
    case Op::kMovw:
    case Op::kLdi:
    case Op::kNop:
    case Op::kClearFlag:
      return true;
    case Op::kSetFlag:
      return step.one.b != S_I;
    case Op::kLoad:
    case Op::kStore:
      return !step.takes_all && !step.may_leave;
    default:
      return false;
  }
}

void OpenFlags::close(unsigned flags) {
  for (Of& one : all_) {
    one.flags &= ~flags;
  }
  all_.erase(std::remove_if(all_.begin(), all_.end(), [](const Of& one) { return one.flags == 0; }), all_.end());
}

void OpenFlags::pass(std::size_t index, const NativeStep& step) {
  if (step.takes_all) {
    all_.clear();
  } else if (step.one.operation == Op::kSetFlag || step.one.operation == Op::kClearFlag) {
    close(1U << step.one.b);
  } else if (step.rule.kind != Kind::kNone) {
    close(step.rule.keeps_zero ? step.rule.sets & ~kZ : step.rule.sets);
    if (const unsigned open = step.rule.sets & ~unsigned{step.at_once}; open != 0) {
      all_.push_back({index, open});
    }
  }
}

unsigned OpenFlags::flags() const {
  return std::accumulate(all_.begin(), all_.end(), 0U,
                         [](unsigned so_far, const Of& one) { return so_far | one.flags; });
}

NativeTrace native_trace(const RunSource& from, std::size_t at) {
  NativeTrace trace = Collector(from).collect(at);
  FlagReader(trace).settle();
  OpenFlags open;
  const auto keep = [&] {
    for (const OpenFlags::Of& one : open.all()) {
      trace.steps[one.step].kept = true;
    }
  };
  for (std::size_t i = 0; i < trace.steps.size(); ++i) {
    NativeStep& step = trace.steps[i];
    if (step.may_leave || step.takes_all || is_branch(step.one) || is_skip(step.one)) {
      keep();
    }
    step.kept = (step.at_once & ~machine_flags(step)) != 0;  // for itself; exits behind it may ask for it later
    open.pass(i, step);
  }
  keep();
  return trace;
}

}  // namespace dawnrig::device
