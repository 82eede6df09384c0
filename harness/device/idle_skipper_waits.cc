// Loops that were seen to wait: met again at their heads.
#include <algorithm>
#include <limits>

#include "harness/base/bad_input.h"
#include "harness/device/idle_skipper_internal.h"
#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

constexpr int kMissesToLook = 2;     // in a row; the first turn after some work may only be finding its way back
constexpr int kMostMisses = 64;      // in a row; then the program is no longer stopped there
constexpr int kLongestOmission = 8;  // doublings

}  // namespace

void IdleSkipper::arrive() {
  const auto found = std::find_if(waits_.begin(), waits_.end(), [this](const Wait& wait) {
    return wait.loop != LoopMap::kNone && wait.head == avr_->pc;
  });
  if (found == waits_.end()) {
    throw base::RunFault("the program was stopped at a loop that nobody knows");
  }
  Wait& wait = *found;
  wait.met_at = now_of(avr_);
  pets_watchdog_ = wait.pets_watchdog;
  quiet_until_ = next_event(wait.first_petted_after);
  // Nor may the watchdog bite between two turns: an interrupt may have made its time shorter since.
  const bool bites =
      bite_put_off(wait.first_petted_after) != nullptr && static_cast<Cycle>(watchdog_->cycle_count) <= wait.cycles;
  if (bites || quiet_until_ - 1 - now_of(avr_) < wait.cycles) {
    return;
  }
  if (pass_as_before(wait) || pass_by_replay(wait)) {
    wait.misses = 0;
    return;
  }
  ++wait.misses;
  const int loop = wait.loop;
  if (wait.misses > kMostMisses) {
    forget(wait);
  }
  if (wait.misses >= kMissesToLook && suspects_[static_cast<std::size_t>(loop)].retry_at <= worked_cycles()) {
    pets_watchdog_ = false;
    quiet_until_ = next_event(0);
    judge(loop, probe(loop));
  }
}

void IdleSkipper::remember(int index, Cycle turn_cycles) {
  const std::uint32_t head = loops_.at(index).head;
  const auto same = std::find_if(waits_.begin(), waits_.end(),
                                 [head](const Wait& wait) { return wait.loop != LoopMap::kNone && wait.head == head; });
  const auto longest_ago =
      std::min_element(waits_.begin(), waits_.end(), [](const Wait& a, const Wait& b) { return a.met_at < b.met_at; });
  Wait& wait = same != waits_.end() ? *same : *longest_ago;
  if (same == waits_.end()) {
    forget(wait);
    core_.stop_at(head);
    mark(head, true);
  }
  wait.loop = index;
  wait.head = head;
  wait.cycles = turn_cycles;
  wait.pets_watchdog = pets_watchdog_;
  wait.first_petted_after = first_petted_at_ - turn_began_;
  wait.petted_before_end = turn_began_ + turn_cycles - petted_at_;
  wait.turn = turn_;
  wait.record = record_;
  wait.misses = wait.replays_to_omit = wait.replays_failed = 0;
  wait.met_at = now_of(avr_);
}

void IdleSkipper::forget(Wait& wait) {
  if (wait.loop != LoopMap::kNone) {
    core_.let_pass(wait.head);
    mark(wait.head, false);
    wait.loop = LoopMap::kNone;
    wait.met_at = 0;
  }
}

// Several jumps may lead back to one head.
void IdleSkipper::mark(std::uint32_t head, bool waits) {
  for (std::size_t i = 0; i < suspects_.size(); ++i) {
    if (loops_.at(static_cast<int>(i)).head == head) {
      suspects_[i].waits = waits;
    }
  }
}

void IdleSkipper::forget_waits() {
  for (Wait& wait : waits_) {
    forget(wait);
  }
}

bool IdleSkipper::pass_as_before(const Wait& wait) {
  const Cycle now = now_of(avr_);
  const Cycle same_until = interrupt_pending(avr_) ? now : wait.turn.repeats_until(avr_, readers_);
  if (same_until <= now) {
    return false;
  }
  // The last turn skipped ends before an event that falls due: that meets the instruction it would have met.
  const Cycle turns = (std::min(quiet_until_, same_until) - 1 - now) / wait.cycles;
  if (turns > 0) {
    pass(turns * wait.cycles, wait.first_petted_after, wait.petted_before_end);
    wait.turn.leave_behind(avr_);
  }
  return true;
}

// For what has changed since, but not so that the turn would take another way: a counter that it looks at, say.
bool IdleSkipper::pass_by_replay(Wait& wait) {
  if (wait.replays_to_omit > 0) {
    --wait.replays_to_omit;
    return false;
  }
  if (pass_like(wait.record, wait.head)) {
    wait.replays_failed = 0;
    return true;
  }
  wait.replays_failed = std::min(wait.replays_failed + 1, kLongestOmission);
  wait.replays_to_omit = (1 << wait.replays_failed) / 4;
  return false;
}

bool IdleSkipper::pass_like(const TurnRecord& record, std::uint32_t head) {
  const bool pending = interrupt_pending(avr_);
  if (record.cycles == 0 || pets_watchdog_ || pending) {
    return false;
  }
  const Cycle until = next_event(0);
  const Cycle room = (until - 1 - now_of(avr_)) / record.cycles;
  const Cycle alike = room < 2 ? 0 : replay_.turns_alike(record, room);
  if (alike < 2) {
    return false;
  }
  // All but the last are skipped. That one is executed, and so leaves behind what a turn leaves behind.
  quiet_until_ = until;  // a pet on the way here may have put off what came first then
  pass((alike - 1) * record.cycles);
  if (run_plainly(now_of(avr_) + record.cycles) != Outcome::kIdle || avr_->pc != head || !replay_.came_true()) {
    throw base::RunFault("a loop that waits did not take the turn that was worked out for it");
  }
  return true;
}

void IdleSkipper::pass(Cycle cycles, Cycle petted_after, Cycle petted_before_end) {
  const avr_cycle_timer_slot_t* const bite = bite_put_off(petted_after);
  const avr_cycle_timer_t bites = bite != nullptr ? bite->timer : nullptr;
  void* const watchdog = bite != nullptr ? bite->param : nullptr;
  avr_->cycle += static_cast<avr_cycle_count_t>(cycles);
  skipped_ += cycles;
  put_off(cycles);
  if (bites != nullptr) {
    const auto before_end = static_cast<avr_cycle_count_t>(petted_before_end);
    avr_cycle_timer_register(avr_, watchdog_->cycle_count - before_end, bites, watchdog);
  }
}

void IdleSkipper::pass_turns(Cycle turn_cycles) {
  const Cycle now = now_of(avr_);
  const Cycle petted_after = first_petted_at_ - turn_began_;
  const Cycle turns = (std::min(next_event(petted_after), same_until_) - 1 - now) / turn_cycles;
  if (turns > 0) {
    pass(turns * turn_cycles, petted_after, now - petted_at_);
  }
}

}  // namespace dawnrig::device
