#include "harness/device/idle_skipper_internal.h"

#include <algorithm>

#include "harness/base/bad_input.h"
#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

constexpr Cycle kShortestStride = 64;
constexpr Cycle kLongestStride = 16384;
constexpr Cycle kLongestOfSleeper = 262144;
constexpr Cycle kSleepsMostly = 4;     // times as long as it is awake
constexpr Cycle kPatience = 4;         // strides
constexpr Cycle kLeastRoom = 48;       // nearer to the next event there is nothing to gain
constexpr int kMostSteps = 600;        // of one look
constexpr int kTurns = 3;              // the first one may still leave things behind that the others find as they are
constexpr Cycle kFirstPatience = 256;  // a loop found busy is left alone for this long, then for twice as long...
constexpr int kMostStrikes = 16;       // ...up to 17 million cycles, counting those only in which it worked
constexpr int kMostDisturbed = 6;      // doublings for one that events or interrupts come between

constexpr avr_io_addr_t kSpmcsr = 0x57;

}  // namespace

IdleSkipper::IdleSkipper(SimulatorCore& core)
    : core_(core),
      avr_(core.avr()),
      loops_({core.avr()->flash, core.program_bytes()}, core.avr()->flashend + 1U),
      suspects_(loops_.size()),
      replay_(core.avr(), readers_),
      watchdog_(next_module<avr_watchdog_t>(core.avr(), "watchdog")) {}

void IdleSkipper::start_over() {
  forget_waits();
  std::fill(suspects_.begin(), suspects_.end(), Suspect{});
  look_at(0);
  stride_ = kShortestStride;
}

Cycle IdleSkipper::next_event(Cycle petted_after) const {
  const avr_cycle_timer_slot_t* slot = avr_->cycle_timers.timer;
  if (slot != nullptr && slot == bite_put_off(petted_after)) {
    slot = slot->next;
  }
  return slot == nullptr ? now_of(avr_) : static_cast<Cycle>(slot->when);
}

// A watchdog that each turn puts off never bites while the turns go on; unless it does before the first one pets it.
// The end of its leave to be changed has the same parameter, and is never further off than those few cycles.
const avr_cycle_timer_slot_t* IdleSkipper::bite_put_off(Cycle petted_after) const {
  constexpr Cycle kLeave = 4;
  const Cycle sure = now_of(avr_) + std::max(petted_after, kLeave);
  const avr_cycle_timer_slot_t* slot = pets_watchdog_ ? avr_->cycle_timers.timer : nullptr;
  while (slot != nullptr && (slot->param != watchdog_ || static_cast<Cycle>(slot->when) <= sure)) {
    slot = slot->next;
  }
  return slot;
}

void IdleSkipper::look_at(Cycle when, Cycle patience) {
  next_look_ = when;
  latest_look_ = when + patience;
}

// A program that sleeps most of its time does what leads back to sleep in the rest: there is little to be found.
Cycle IdleSkipper::longer_stride() {
  const Cycle asleep = asleep_ - asleep_at_look_;
  const Cycle awake = worked_cycles() - worked_at_look_;
  asleep_at_look_ = asleep_;
  worked_at_look_ = worked_cycles();
  return std::min(stride_ * 2, asleep > kSleepsMostly * awake ? kLongestOfSleeper : kLongestStride);
}

Cycle IdleSkipper::worked_cycles() const {
  return now_of(avr_) - core_.idle_cycles();
}

int IdleSkipper::suspect_at(std::uint32_t pc) const {
  const Cycle worked = worked_cycles();
  int index = loops_.around(pc);
  const auto excused = [this, worked](const Suspect& suspect) { return suspect.waits || suspect.retry_at > worked; };
  while (index != LoopMap::kNone && excused(suspects_[static_cast<std::size_t>(index)])) {
    index = loops_.at(index).outer;
  }
  return index;
}

void IdleSkipper::look() {
  const Cycle now = now_of(avr_);
  if (avr_->interrupt_state != 0) {
    look_at(now + 1);  // interrupts were just enabled; one instruction later it is clear what comes of that
    return;
  }
  pets_watchdog_ = false;
  quiet_until_ = next_event(0);
  const int index = suspect_at(avr_->pc);
  if (index == LoopMap::kNone || quiet_until_ - now < kLeastRoom) {
    stride_ = longer_stride();
    // Every second time wherever the program is then, not where a run of instructions ends: that is with an event,
    // which may find the same routine each time. In no rhythm, or an interrupt that keeps the same one would, too.
    patient_ = !patient_;
    draw_ = draw_ * 1664525U + 1013904223U;
    look_at(now + stride_ / 2 + static_cast<Cycle>(draw_ >> 16U) % stride_, patient_ ? kPatience * stride_ : 0);
    return;
  }
  avr_->run_cycle_count = 1;
  judge(index, probe(index));
}

void IdleSkipper::judge(int index, Outcome outcome) {
  Suspect& suspect = suspects_[static_cast<std::size_t>(index)];
  const Cycle now = now_of(avr_);
  // A loop that goes to sleep passes its idle time without us.
  if (outcome == Outcome::kBusy || avr_->state == cpu_Sleeping) {
    suspect.retry_at = worked_cycles() + (kFirstPatience << suspect.strikes);
    suspect.strikes = std::min(suspect.strikes + 1, kMostStrikes);
    stride_ = longer_stride();
    look_at(now + stride_, kPatience * stride_);
  } else if (outcome == Outcome::kDisturbed) {
    suspect.retry_at = worked_cycles() + (kFirstPatience << std::min(suspect.strikes, kMostDisturbed));
    suspect.strikes = std::max(suspect.strikes, std::min(suspect.strikes + 1, kMostDisturbed));
    look_at(now + stride_);
  } else {
    suspect.strikes = 0;
    stride_ = kShortestStride;
    look_at(now + stride_);
  }
}

IdleSkipper::Outcome IdleSkipper::probe(int index) {
  const LoopMap::Loop& loop = loops_.at(index);
  if (const Outcome outcome = go_to(loop.head); outcome != Outcome::kIdle) {
    return outcome;
  }
  Snapshot before = snapshot();
  for (int k = 0; k < kTurns; ++k) {
    const Cycle began = now_of(avr_);
    if (const Outcome outcome = turn(loop.head); outcome != Outcome::kIdle) {
      return outcome;
    }
    const Cycle turn_cycles = now_of(avr_) - began;
    const Snapshot after = snapshot();
    if (after == before && memory_as_before()) {
      turn_.finish(avr_, turn_cycles);
      remember(index, turn_cycles);
      pass_turns(turn_cycles);
      return Outcome::kIdle;
    }
    if (counts_ && pass_like(record_, loop.head)) {
      turn_.give_up();
      remember(index, turn_cycles);
      return Outcome::kIdle;
    }
    before = after;
  }
  return Outcome::kBusy;
}

/// No event has fallen due, and no interrupt was taken since there were so many.
bool IdleSkipper::alone_since(std::int64_t entries) const {
  return avr_->state == cpu_Running && !core_.bitten() && core_.interrupts_entered() == entries &&
         now_of(avr_) < quiet_until_;
}

IdleSkipper::Outcome IdleSkipper::run_plainly(Cycle until) {
  const std::int64_t entries = core_.interrupts_entered();
  bool alone = true;
  while (alone && now_of(avr_) < until) {
    core_.execute(until, true);
    alone = alone_since(entries);
  }
  return alone ? Outcome::kIdle : Outcome::kDisturbed;
}

IdleSkipper::Outcome IdleSkipper::go_to(std::uint32_t head) {
  steps_ = 0;
  Outcome outcome = Outcome::kIdle;
  while (outcome == Outcome::kIdle && avr_->pc != head) {
    written_count_ = 0;
    outcome = step(nullptr);
  }
  return outcome;
}

IdleSkipper::Outcome IdleSkipper::turn(std::uint32_t head) {
  pets_watchdog_ = false;
  written_count_ = 0;
  same_until_ = std::numeric_limits<Cycle>::max();
  counts_ = false;
  record_.begin(stack_pointer_of(avr_));
  turn_.begin(avr_);
  turn_began_ = now_of(avr_);
  Outcome outcome = Outcome::kIdle;
  do {
    outcome = step(&record_);
  } while (outcome == Outcome::kIdle && avr_->pc != head);
  if (outcome == Outcome::kIdle) {
    record_.finish(now_of(avr_) - turn_began_);
  }
  return outcome;
}

IdleSkipper::Outcome IdleSkipper::step(TurnRecord* record) {
  const Instruction one = next_instruction();
  if (++steps_ > kMostSteps || !harmless(one)) {
    return Outcome::kBusy;
  }
  turn_.meet(one);
  const std::uint32_t pc = avr_->pc;
  const Cycle after = now_of(avr_) - turn_began_;
  const std::int64_t entries = core_.interrupts_entered();
  core_.run_awake();
  const bool alone = alone_since(entries);
  if (one.operation == Operation::kPetWatchdog) {
    quiet_until_ = first_event(avr_, std::numeric_limits<Cycle>::max());  // its bite may be the next, or no longer is
  }
  if (record != nullptr) {
    record->add(one, pc, after, avr_->pc);
  }
  return alone ? Outcome::kIdle : Outcome::kDisturbed;
}

Instruction IdleSkipper::next_instruction() const {
  const std::uint8_t* at = avr_->flash + avr_->pc;  // there is room behind the end of flash
  return taken_apart(avr_->pc, static_cast<std::uint16_t>(at[0] | (at[1] << 8)),
                     static_cast<std::uint16_t>(at[2] | (at[3] << 8)), avr_->flashend + 1U);
}

std::uint32_t IdleSkipper::address_of(const Instruction& one) const {
  const std::uint32_t base = avr_->data[one.pointer] | (static_cast<std::uint32_t>(avr_->data[one.pointer + 1]) << 8U);
  return (base + one.k - (one.step == Instruction::Step::kBefore ? 1U : 0U)) & 0xFFFFU;
}

bool IdleSkipper::harmless(const Instruction& one) {
  switch (one.operation) {
    case Operation::kUnknown:
    case Operation::kSleep:
    case Operation::kReturnFromInterrupt:
      return false;
    case Operation::kLoad:
    case Operation::kSkipIfCellClear:
    case Operation::kSkipIfCellSet:
      return may_load(one.k);
    case Operation::kLoadByPointer:
      point_to(address_of(one));
      return may_load(address_of(one));
    case Operation::kStore:
      return may_store(one.k);
    case Operation::kStoreByPointer:
      point_to(address_of(one));
      return may_store(address_of(one));
    case Operation::kSetCellBit:
    case Operation::kClearCellBit:
      return may_load(one.k) && may_store(one.k);
    case Operation::kPush:
      return may_push(1);
    case Operation::kPop:
      return may_pop(1);
    case Operation::kCall:
      return may_push(avr_->address_size);
    case Operation::kReturn:
      return may_pop(avr_->address_size);
    case Operation::kCallZ:
      turn_.give_up();  // on large parts a register has a part of the target
      return may_push(avr_->address_size);
    case Operation::kJumpToZ:
      turn_.give_up();
      return true;
    case Operation::kLoadProgram:
      turn_.give_up();
      return avr_->data[kSpmcsr] == 0;  // otherwise it may read fuses, or end what was begun there
    case Operation::kPetWatchdog:
      petted_at_ = now_of(avr_);
      first_petted_at_ = pets_watchdog_ ? first_petted_at_ : petted_at_;
      pets_watchdog_ = true;
      return true;
    default:
      return true;  // registers, flags and the program counter: all in the snapshot
  }
}

// A register, the flags or the stack pointer met as memory: what that means to the turn is not remembered.
void IdleSkipper::point_to(std::uint32_t address) {
  if (address < 32 || address == R_SREG || address == R_SPL || address == R_SPH) {
    turn_.give_up();
  }
}

bool IdleSkipper::may_load(std::uint32_t address) {
  const std::uint32_t io = address - 32U;
  if (address < 32) {
    return true;
  }
  if (io >= MAX_IOs) {
    turn_.read(avr_, address);
    return true;
  }
  const auto& cell = avr_->io[io];
  if (cell.irq != nullptr) {
    return false;
  }
  if (cell.r.c == nullptr) {
    turn_.read(avr_, address);
    return true;  // a plain cell: only writes and events change it
  }
  if (readers_[io] == nullptr) {
    return false;
  }
  // What is read now holds from now on, not from the end of the turn: it may have changed by then.
  const auto at = static_cast<avr_io_addr_t>(address);
  same_until_ = std::min(same_until_, readers_[io]->reads_same_until(at));
  if (readers_[io]->count_at(at, now_of(avr_)).has_value()) {
    counts_ = true;
    turn_.give_up();
  } else {
    turn_.read(avr_, address);
  }
  return true;
}

bool IdleSkipper::may_store(std::uint32_t address) {
  const std::uint32_t io = address - 32U;
  if (address < 32 || address == R_SREG || address == R_SPL || address == R_SPH) {
    turn_.write(address);
    return true;  // in the snapshot
  }
  if (io < MAX_IOs && (avr_->io[io].irq != nullptr || avr_->io[io].w.c != nullptr)) {
    return false;
  }
  if (address > avr_->ramend || written_count_ == written_.size()) {
    return false;
  }
  written_[written_count_++] = {static_cast<std::uint16_t>(address), avr_->data[address]};
  turn_.write(address);
  return true;
}

bool IdleSkipper::may_push(unsigned bytes) {
  const unsigned pointer = stack_pointer_of(avr_);
  bool may = true;
  for (unsigned i = 0; i < bytes; ++i) {
    may = may && pointer >= 32U + i && may_store(pointer - i);
  }
  return may;
}

bool IdleSkipper::may_pop(unsigned bytes) {
  const unsigned pointer = stack_pointer_of(avr_);
  bool may = true;
  for (unsigned i = 1; i <= bytes; ++i) {
    const std::uint32_t address = (pointer + i) & 0xFFFFU;
    may = may && address >= 32U && may_load(address);
  }
  return may;
}

IdleSkipper::Snapshot IdleSkipper::snapshot() const {
  Snapshot now;
  std::copy_n(avr_->data, now.registers.size(), now.registers.begin());
  std::copy_n(avr_->sreg, now.flags.size(), now.flags.begin());
  now.stack_pointer = stack_pointer_of(avr_);
  now.interrupt_state = avr_->interrupt_state;
  now.pending_from = avr_->interrupts.pending.read;
  now.pending_to = avr_->interrupts.pending.write;
  return now;
}

bool IdleSkipper::memory_as_before() const {
  // A byte written twice in the turn stands here twice; its first entry has what it held when the turn began.
  for (std::size_t i = 0; i < written_count_; ++i) {
    const auto earlier = std::find_if(written_.begin(), written_.begin() + static_cast<std::ptrdiff_t>(i),
                                      [this, i](const Written& w) { return w.address == written_[i].address; });
    if (earlier == written_.begin() + static_cast<std::ptrdiff_t>(i) &&
        avr_->data[written_[i].address] != written_[i].before) {
      return false;
    }
  }
  return true;
}

}  // namespace dawnrig::device
