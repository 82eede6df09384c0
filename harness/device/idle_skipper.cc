#include "harness/device/idle_skipper_internal.h"

#include <algorithm>

#include "harness/base/bad_input.h"
#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

constexpr Cycle kShortestStride = 64;
constexpr Cycle kLongestStride = 1024;
constexpr Cycle kLeastRoom = 48;       // nearer to the next event there is nothing to gain
constexpr int kMostSteps = 600;        // of one look
constexpr int kMostMisses = 4;         // then the loop that idled last is no longer where the program is
constexpr int kTurns = 3;              // the first one may still leave things behind that the others find as they are
constexpr Cycle kFirstPatience = 256;  // a loop found busy is left alone for this long, then for twice as long...
constexpr int kMostStrikes = 16;       // ...up to 17 million cycles, counting those only in which it worked

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
  std::fill(suspects_.begin(), suspects_.end(), Suspect{});
  look_at(0);
  favourite_ = LoopMap::kNone;
  stride_ = kShortestStride;
}

Cycle IdleSkipper::next_event() const {
  // A watchdog that each turn puts off never bites while the turns go on.
  const avr_cycle_timer_slot_t* slot = avr_->cycle_timers.timer;
  while (slot != nullptr && pets_watchdog_ && slot->param == watchdog_) {
    slot = slot->next;
  }
  return slot == nullptr ? now_of(avr_) : static_cast<Cycle>(slot->when);
}

void IdleSkipper::look_at(Cycle when, Cycle patience) {
  next_look_ = when;
  latest_look_ = when + patience;
}

Cycle IdleSkipper::worked_cycles() const {
  return now_of(avr_) - core_.idle_cycles();
}

int IdleSkipper::suspect_at(std::uint32_t pc) const {
  const Cycle worked = worked_cycles();
  int index = loops_.around(pc);
  while (index != LoopMap::kNone && suspects_[static_cast<std::size_t>(index)].retry_at > worked) {
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
  quiet_until_ = next_event();
  const bool returns = favourite_ != LoopMap::kNone && favourite_missed_ < kMostMisses;
  const int index = returns ? favourite_ : suspect_at(avr_->pc);
  if (index == LoopMap::kNone || quiet_until_ - now < kLeastRoom) {
    stride_ = std::min(stride_ * 2, kLongestStride);
    look_at(now + stride_, kLongestStride);
    return;
  }
  avr_->run_cycle_count = 1;
  judge(index, probe(index));
}

void IdleSkipper::judge(int index, Outcome outcome) {
  Suspect& suspect = suspects_[static_cast<std::size_t>(index)];
  const Cycle now = now_of(avr_);
  if (index == favourite_ && favourite_missed_ < kMostMisses && outcome != Outcome::kIdle) {
    ++favourite_missed_;
    look_at(now + kShortestStride);
    return;
  }
  // A loop that goes to sleep passes its idle time without us.
  if (outcome == Outcome::kBusy || avr_->state == cpu_Sleeping) {
    suspect.retry_at = worked_cycles() + (kFirstPatience << suspect.strikes);
    suspect.strikes = std::min(suspect.strikes + 1, kMostStrikes);
    stride_ = std::min(stride_ * 2, kLongestStride);
    look_at(now + stride_, kLongestStride);
  } else if (outcome == Outcome::kDisturbed) {
    suspect.retry_at = worked_cycles() + kFirstPatience;
    look_at(now + stride_);
  } else {
    favourite_ = index;
    favourite_missed_ = 0;
    suspect.strikes = 0;
    stride_ = kShortestStride;
    look_at(std::max(quiet_until_, now + 1));  // behind an event that disturbs nothing the loop idles on
  }
}

IdleSkipper::Outcome IdleSkipper::probe(int index) {
  const LoopMap::Loop& loop = loops_.at(index);
  if (const Outcome outcome = go_to(loop.head, index == favourite_); outcome != Outcome::kIdle) {
    return outcome;
  }
  if (index == replay_of_ && pass_counting_turns(loop.head)) {
    return Outcome::kIdle;  // as last time
  }
  Snapshot before = snapshot();
  for (int k = 0; k < kTurns; ++k) {
    const Cycle began = now_of(avr_);
    if (const Outcome outcome = turn(loop.head); outcome != Outcome::kIdle) {
      return outcome;
    }
    const Snapshot after = snapshot();
    if (after == before && memory_as_before()) {
      pass_turns(now_of(avr_) - began);
      return Outcome::kIdle;
    }
    replay_of_ = counts_ ? index : LoopMap::kNone;
    if (counts_ && pass_counting_turns(loop.head)) {
      return Outcome::kIdle;
    }
    before = after;
  }
  return Outcome::kBusy;
}

IdleSkipper::Outcome IdleSkipper::run_plainly(Cycle until) {
  const std::int64_t entries = core_.interrupts_entered();
  bool alone = true;
  while (alone && now_of(avr_) < until) {
    avr_->run_cycle_limit = static_cast<avr_cycle_count_t>(until - now_of(avr_));
    avr_->run_cycle_count = avr_->run_cycle_limit;
    core_.run_awake();
    alone = !core_.crashed() && avr_->state == cpu_Running && core_.interrupts_entered() == entries &&
            now_of(avr_) < quiet_until_;
  }
  avr_->run_cycle_limit = 1;
  avr_->run_cycle_count = 1;
  return alone ? Outcome::kIdle : Outcome::kDisturbed;
}

IdleSkipper::Outcome IdleSkipper::go_to(std::uint32_t head, bool out_of_routines) {
  steps_ = 0;
  Outcome outcome = Outcome::kIdle;
  if (out_of_routines && favourite_ == replay_of_) {
    // The path home is on record: no need to look at each step of it.
    outcome = run_plainly(std::min(now_of(avr_) + replay_.cycles_from(avr_->pc), quiet_until_));
  }
  while (outcome == Outcome::kIdle && avr_->pc != head) {
    written_count_ = 0;
    outcome = step(out_of_routines);
  }
  return outcome;
}

IdleSkipper::Outcome IdleSkipper::turn(std::uint32_t head) {
  pets_watchdog_ = false;
  written_count_ = 0;
  same_until_ = std::numeric_limits<Cycle>::max();
  counts_ = false;
  replay_.forget();
  turn_began_ = now_of(avr_);
  Outcome outcome = Outcome::kIdle;
  do {
    outcome = step();
  } while (outcome == Outcome::kIdle && avr_->pc != head);
  if (outcome == Outcome::kIdle) {
    replay_.finish(now_of(avr_) - turn_began_);
  }
  return outcome;
}

IdleSkipper::Outcome IdleSkipper::step(bool out_of_routines) {
  const Instruction one = next_instruction();
  const bool leaves = out_of_routines && one.operation == Operation::kReturnFromInterrupt;
  if (++steps_ > kMostSteps || !(harmless(one) || leaves)) {
    return Outcome::kBusy;
  }
  const std::uint32_t pc = avr_->pc;
  const Cycle after = now_of(avr_) - turn_began_;
  const std::int64_t entries = core_.interrupts_entered();
  core_.run_awake();
  const bool alone = !core_.crashed() && avr_->state == cpu_Running && core_.interrupts_entered() == entries &&
                     now_of(avr_) < quiet_until_;
  replay_.record(one, pc, after, avr_->pc);
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
      return may_load(address_of(one));
    case Operation::kStore:
      return may_store(one.k);
    case Operation::kStoreByPointer:
      return may_store(address_of(one));
    case Operation::kSetCellBit:
    case Operation::kClearCellBit:
      return may_load(one.k) && may_store(one.k);
    case Operation::kPush:
      return may_push(1);
    case Operation::kCall:
    case Operation::kCallZ:
      return may_push(avr_->address_size);
    case Operation::kLoadProgram:
      return avr_->data[kSpmcsr] == 0;  // otherwise it may read fuses, or end what was begun there
    case Operation::kPetWatchdog:
      pets_watchdog_ = true;
      return true;
    default:
      return true;  // registers, flags and the program counter: all in the snapshot
  }
}

bool IdleSkipper::may_load(std::uint32_t address) {
  const std::uint32_t io = address - 32U;
  if (address < 32 || io >= MAX_IOs) {
    return true;
  }
  const auto& cell = avr_->io[io];
  if (cell.irq != nullptr) {
    return false;
  }
  if (cell.r.c == nullptr) {
    return true;  // a plain cell: only writes and events change it
  }
  if (readers_[io] == nullptr) {
    return false;
  }
  // What is read now holds from now on, not from the end of the turn: it may have changed by then.
  const auto at = static_cast<avr_io_addr_t>(address);
  same_until_ = std::min(same_until_, readers_[io]->reads_same_until(at));
  counts_ = counts_ || readers_[io]->count_at(at, now_of(avr_)).has_value();
  return true;
}

bool IdleSkipper::may_store(std::uint32_t address) {
  const std::uint32_t io = address - 32U;
  if (address < 32 || address == R_SREG || address == R_SPL || address == R_SPH) {
    return true;  // in the snapshot
  }
  if (io < MAX_IOs && (avr_->io[io].irq != nullptr || avr_->io[io].w.c != nullptr)) {
    return false;
  }
  if (address > avr_->ramend || written_count_ == written_.size()) {
    return false;
  }
  written_[written_count_++] = {static_cast<std::uint16_t>(address), avr_->data[address]};
  return true;
}

bool IdleSkipper::may_push(unsigned bytes) {
  const unsigned pointer = stack_pointer();
  bool may = true;
  for (unsigned i = 0; i < bytes; ++i) {
    may = may && pointer >= 32U + i && may_store(pointer - i);
  }
  return may;
}

unsigned IdleSkipper::stack_pointer() const {
  return avr_->data[R_SPL] | (static_cast<unsigned>(avr_->data[R_SPH]) << 8U);
}

IdleSkipper::Snapshot IdleSkipper::snapshot() const {
  Snapshot now;
  std::copy_n(avr_->data, now.registers.size(), now.registers.begin());
  std::copy_n(avr_->sreg, now.flags.size(), now.flags.begin());
  now.stack_pointer = stack_pointer();
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

bool IdleSkipper::pass_counting_turns(std::uint32_t head) {
  const bool pending = avr_->interrupts.pending.read != avr_->interrupts.pending.write;
  if (!replay_.recorded() || pets_watchdog_ || pending) {
    return false;
  }
  const Cycle until = next_event();
  const Cycle turn_cycles = replay_.turn_cycles();
  const Cycle room = (until - 1 - now_of(avr_)) / turn_cycles;
  const Cycle alike = room < 2 ? 0 : replay_.turns_alike(room);
  if (alike < 2) {
    return false;
  }
  // All but the last are skipped. The simulator executes that one, and so leaves behind what a turn leaves behind.
  avr_->cycle += static_cast<avr_cycle_count_t>((alike - 1) * turn_cycles);
  skipped_ += (alike - 1) * turn_cycles;
  if (run_plainly(now_of(avr_) + turn_cycles) != Outcome::kIdle || avr_->pc != head || !replay_.came_true()) {
    throw base::RunFault("a loop that waits for a counter did not take the turn that was worked out for it");
  }
  quiet_until_ = alike < room ? now_of(avr_) + turn_cycles : until;
  return true;
}

void IdleSkipper::pass_turns(Cycle turn_cycles) {
  const Cycle until = std::min(next_event(), same_until_);
  quiet_until_ = until;
  // The last turn skipped ends before `until`: what falls due there meets the instruction it would have met.
  const Cycle turns = (until - 1 - now_of(avr_)) / turn_cycles;
  if (turns <= 0) {
    return;
  }
  const Cycle passed = turns * turn_cycles;
  avr_->cycle += static_cast<avr_cycle_count_t>(passed);
  skipped_ += passed;
  const avr_cycle_timer_slot_t* slot = avr_->cycle_timers.timer;
  while (pets_watchdog_ && slot != nullptr && slot->param != watchdog_) {
    slot = slot->next;
  }
  if (pets_watchdog_ && slot != nullptr) {
    // The last of the turns would have put it off from where that turn stood.
    avr_cycle_timer_register(avr_, slot->when + static_cast<avr_cycle_count_t>(passed) - avr_->cycle, slot->timer,
                             slot->param);
  }
}

}  // namespace dawnrig::device
