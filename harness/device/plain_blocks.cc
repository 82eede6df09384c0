#include "harness/device/plain_blocks_internal.h"

#include <algorithm>
#include <cstring>

#include "harness/device/native_run_internal.h"
#include "harness/device/plain_block_parts_internal.h"

namespace dawnrig::device {
namespace {

const BlockOp* leave(std::uint8_t* /*data*/, const BlockOp* op, BlockCpu& cpu) {
  return cpu.leave(op);
}

const BlockOp* warm_up(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  if (op->heat + 1 < cpu.translate_after) {
    const_cast<BlockOp*>(op)->heat = static_cast<std::uint16_t>(op->heat + 1);
    return cpu.owner->plain(op)(data, op, cpu);
  }
  op = cpu.owner->translate(op);
  return op->begin(data, op, cpu);
}

bool goes_to_k(const Instruction& one) {
  return is_branch(one) || one.operation == Operation::kJump || one.operation == Operation::kCall;
}

}  // namespace

const BlockOp* cut(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  return go_to(data, op, cpu);
}

PlainBlocks::PlainBlocks(avr_t* avr, std::uint16_t translate_after, Sleeper* sleeper) : sleeper_(sleeper) {
  cpu_.translate_after = translate_after;
  cpu_.avr = avr;
  cpu_.words = (avr->flashend + 1U) / 2U;
  cpu_.ram_start = avr->ioend + 1U;
  cpu_.ram_span = avr->ramend - cpu_.ram_start;
  cpu_.stack_floor = cpu_.ram_start + 0x100U;
  cpu_.stack_span = avr->ramend - cpu_.stack_floor;
  BlockOp nothing{leave, leave};
  nothing.needs = kAllFlags;
  ops_.assign(cpu_.words + 2U, nothing);  // a skip near the end of program memory may lead behind it
  cpu_.first = ops_.data();
  cpu_.owner = this;
}

PlainBlocks::~PlainBlocks() = default;

// From the end on: what an instruction is to a run depends on those behind it.
void PlainBlocks::take(const std::vector<Instruction>& code) {
  stops_.clear();
  for (std::size_t at = code.size(); at-- > 0;) {
    place(at, code);
  }
  for (std::size_t at = 0; at < code.size(); ++at) {
    BlockOp& op = ops_[at];
    if (op.length != 0 && is_branch(code[at])) {
      op.k = static_cast<std::uint16_t>(op.rest - 2 - op.target()->rest);
    }
  }
  code_ = &code;
  native_.reset();
  plain_.assign(ops_.size(), leave);
  for (std::size_t at = 0; at < code.size(); ++at) {
    plain_[at] = ops_[at].begin;
    ops_[at].begin = ops_[at].length != 0 && cpu_.translate_after != 0 ? warm_up : plain_[at];
  }
}

// A run is left for an instruction that is not for machine instructions, and goes on behind it: there are as many
// pieces as that happens. Whoever only comes by may use them, too.
const BlockOp* PlainBlocks::translate(const BlockOp* op) {
  const auto at = static_cast<std::size_t>(op - cpu_.first);
  BlockOp& hot = ops_[at];
  hot.begin = plain_[at];
  if (joins(hot) && hot.go != hot.begin) {
    hot.begin = hot.go;  // on the way of another
    return op;
  }
  if (native_ == nullptr) {
    native_ = std::make_unique<NativeRuns>();
  }
  const RunSource from{ops_, *code_, cpu_};
  for (std::optional<std::size_t> piece = at; piece;) {
    BlockOp& first = ops_[*piece];
    const NativeTrace trace = native_trace(from, *piece);
    BlockHandler handler = trace.is_nothing() ? nullptr : native_->translated(from, trace, plain_);
    translations_.refused += handler == nullptr && !trace.is_nothing() ? 1 : 0;
    if (handler != nullptr) {
      ++translations_.made;
      first.go = joins(first) ? handler : first.go;
      first.begin = *piece == at || first.begin == warm_up ? handler : first.begin;
    }
    piece = trace.behind;
    if (piece && ops_[*piece].go != plain_[*piece]) {
      break;  // is translated, or begins another run
    }
  }
  return op;
}

// Whoever stops there may look at any flag.
void PlainBlocks::stop_at(std::uint32_t pc) {
  BlockOp& op = ops_[pc / 2U];
  stops_.push_back({&op, op.begin, op.needs});
  op.begin = leave;
  op.needs = kAllFlags;
}

void PlainBlocks::let_pass(std::uint32_t pc) {
  const auto found =
      std::find_if(stops_.begin(), stops_.end(), [this, pc](const Stop& one) { return one.op == &ops_[pc / 2U]; });
  if (found != stops_.end()) {
    found->op->begin = found->begin;
    found->op->needs = found->needs;
    stops_.erase(found);
  }
}

bool PlainBlocks::stops_at(std::uint32_t pc) const {
  const auto here = [this, pc](const Stop& one) { return one.op == cpu_.first + pc / 2U; };
  return std::any_of(stops_.begin(), stops_.end(), here);
}

void PlainBlocks::place(std::size_t at, const std::vector<Instruction>& code) {
  const Instruction& one = code[at];
  const std::size_t target = one.k / 2U;
  BlockOp& op = ops_[at];
  op = BlockOp{leave, leave};
  op.needs = kAllFlags;
  // What may run off the end of program memory, or jump behind it, is for whoever has something to say about that.
  if (at + 2 >= code.size() || (goes_to_k(one) && target >= code.size())) {
    return;
  }
  const std::size_t behind = at + one.bytes / 2U;
  // A run goes on at the target of a jump, if that is further on and so known already.
  const bool jumps = one.operation == Operation::kJump || one.operation == Operation::kCall;
  const BlockOp& next = ops_[jumps && target > at ? target : behind];
  const bool goes_on = joins(next) && (!jumps || target > at);
  op.k = static_cast<std::uint16_t>(one.operation == Operation::kCall ? behind : one.k);
  constexpr auto kSize = static_cast<std::int32_t>(sizeof(BlockOp));
  op.jump = goes_to_k(one) ? (static_cast<std::int32_t>(target) - static_cast<std::int32_t>(at)) * kSize : 0;
  op.d = one.d;
  op.r = one.pointer != 0 ? one.pointer : one.r;
  op.b = one.b;
  if (is_skip(one)) {
    op.count = code[behind].bytes / 2U;
  } else if (goes_on && next.length != 0 && code[behind].operation == one.operation && next.count < kMostAlike) {
    op.count = static_cast<std::uint8_t>(next.count + 1U);
  }
  std::array<Instruction, kMostAsOne> along;
  const std::span<const Instruction> here(along.data(), surely_behind(ops_, code, at, along));
  BlockPart part = arithmetic(at, here, code);
  part = part.handler != nullptr ? part : memory(at, here);
  part = part.handler != nullptr ? part : block_flow(one, cpu_, jumps && target > at);
  if (part.handler == nullptr) {
    return;
  }
  BlockHandler routine = block_routine(here, cpu_);
  part.handler = routine != nullptr ? routine : part.handler;
  using Kind = BlockPart::Kind;
  const bool ends = part.kind == Kind::kEndsRun || !goes_on;
  op.go = op.begin = part.handler;
  op.rest = static_cast<std::uint16_t>(part.cycles + (ends ? 0 : next.rest));
  op.length = static_cast<std::uint8_t>(1 + (ends ? 0 : next.length));
  if (part.kind == Kind::kSure) {
    op.needs = static_cast<std::uint8_t>(flags_read_by(one) | (next.needs & ~flags_set_by(one)));
  }
  if (op.length >= kLongestRun) {
    op.go = cut;
    op.needs = kAllFlags;
  }
}

std::size_t surely_behind(std::span<const BlockOp> ops, const std::vector<Instruction>& code, std::size_t at,
                          std::array<Instruction, kMostAsOne>& along) {
  std::size_t count = 0;
  do {
    along[count++] = code[at];
    at += code[at].bytes / 2U;
  } while (count < along.size() && joins(ops[at]) && ops[at].length != 0);
  return count;
}

BlockPart PlainBlocks::memory(std::size_t at, std::span<const Instruction> here) const {
  BlockPart part = block_memory(here[0], cpu_, ops_[at]);
  if (BlockHandler row = block_memory_row(here, cpu_); row != nullptr) {
    part.handler = row;
  }
  return part;
}

BlockPart PlainBlocks::arithmetic(std::size_t at, std::span<const Instruction> here,
                                  const std::vector<Instruction>& code) const {
  const Instruction& one = code[at];
  const unsigned bytes = bytes_in_chain(here);
  const unsigned row = bytes > 1 ? bytes : arithmetic_in_a_row(one, ops_[at].count);
  const std::size_t behind = row == 1 ? at + one.bytes / 2U : at + row;
  BlockPart part = block_arithmetic(one, row, ops_[behind].needs);
  BlockHandler with_branch = nullptr;
  if (joins(ops_[behind]) && ops_[behind].length != 0) {
    with_branch = bytes > 1 ? block_chain_and_branch(here.first(bytes), code[behind])
                            : block_arithmetic_and_branch(one, row, code[behind]);
  }
  if (with_branch != nullptr) {
    part.handler = with_branch;
  } else if (bytes > 1) {
    part.handler = block_chain(here.first(bytes), ops_[behind].needs);
  }
  return part;
}

const BlockOp* PlainBlocks::sleep_through(const BlockOp* behind) {
  avr_t* const avr = cpu_.avr;
  avr->sreg[S_I] = cpu_.flag[S_I];
  avr->pc = static_cast<avr_flashaddr_t>(behind - cpu_.first) * 2U;
  avr->cycle = static_cast<avr_cycle_count_t>(cpu_.until - cpu_.left);
  cpu_.stopped_at = nullptr;
  const Cycle limit = sleeper_->sleep_through();
  cpu_.flag[S_I] = avr->sreg[S_I];
  if (limit == Sleeper::kNoRuns || avr->pc / 2U >= cpu_.words) {
    std::memcpy(avr->sreg, cpu_.flag, sizeof cpu_.flag);
    return nullptr;
  }
  const Cycle now = now_of(avr);
  cpu_.limit = limit;
  cpu_.event = first_event(avr, limit);
  cpu_.until = std::min(cpu_.event, now + kLongestWay);
  cpu_.left = cpu_.until - now;
  return cpu_.first + avr->pc / 2U;
}

bool PlainBlocks::run(Cycle limit) {
  avr_t* const avr = cpu_.avr;
  if (avr->pc / 2U >= cpu_.words) {
    return first_event(avr, limit) <= now_of(avr);
  }
  const BlockOp* op = cpu_.first + avr->pc / 2U;
  std::memcpy(cpu_.flag, avr->sreg, sizeof cpu_.flag);
  std::uint8_t* const data = avr->data;
  cpu_.limit = limit;
  cpu_.event = first_event(avr, limit);
  Cycle now = now_of(avr);
  do {
    cpu_.until = std::min(cpu_.event, now + kLongestWay);
    cpu_.left = cpu_.until - now;
    while (op != nullptr && cpu_.left >= op->rest) {
      cpu_.left -= op->rest;
      op = op->begin(data, op, cpu_);
    }
    now = cpu_.until - cpu_.left;
  } while (op != nullptr && now + op->rest <= cpu_.event);
  op = op != nullptr ? op : cpu_.stopped_at;
  if (op == nullptr) {
    return true;  // asleep, or whoever passed the time has left everything in place
  }
  std::memcpy(avr->sreg, cpu_.flag, sizeof cpu_.flag);
  avr->pc = static_cast<avr_flashaddr_t>(op - cpu_.first) * 2U;
  avr->cycle = static_cast<avr_cycle_count_t>(now);
  return now >= cpu_.event || disturbed(avr);
}

}  // namespace dawnrig::device
