// Passes the time of loops that only wait. A turn of the loop at hand is executed, instruction by instruction; if
// it left everything as it was, and nothing can change before the next event, then every turn until that event does the
// same, and whole turns are skipped. A loop that was seen to wait is remembered with its turn: from then on the program
// is stopped at its head, and where all that the turn looked at reads as it did then, no turn need be executed at all.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <vector>

#include "harness/device/idle_turn_internal.h"
#include "harness/device/instruction.h"
#include "harness/device/loop_map.h"
#include "harness/device/simavr_internal.h"
#include "harness/device/turn_replay_internal.h"

namespace dawnrig::device {

class Peripheral;
class SimulatorCore;

class IdleSkipper {
 public:
  explicit IdleSkipper(SimulatorCore& core);

  /// A register whose reads do nothing, and give the same until `reader` says otherwise.
  void vouch_for(avr_io_addr_t address, Peripheral& reader) { readers_[AVR_DATA_TO_IO(address)] = &reader; }

  /// Whether it is time to look for a loop that idles.
  [[nodiscard]] bool due(Cycle now) const { return now >= next_look_; }
  /// Until then it can wait, if the processor is at work.
  [[nodiscard]] Cycle latest_look() const { return latest_look_; }
  /// The processor slept for so long: no reason to look any sooner.
  void slept(Cycle cycles) {
    asleep_ += cycles;
    put_off(cycles);
  }
  /// Looks. May execute some instructions, as running on would have, and may then let whole turns pass.
  void look();
  /// The program has come to the head of a loop that waited before. The same.
  void arrive();
  void start_over();
  /// Program memory is about to change.
  void forget_waits();

  [[nodiscard]] Cycle skipped() const { return skipped_; }

 private:
  static constexpr std::size_t kMostBytesWritten = 48;
  static constexpr std::size_t kMostWaits = 8;

  /// Everything that decides what the processor does next, save its memory.
  struct Snapshot {
    std::array<std::uint8_t, 32> registers{};
    std::array<std::uint8_t, 8> flags{};
    unsigned stack_pointer{0};
    std::int8_t interrupt_state{0};
    unsigned pending_from{0};
    unsigned pending_to{0};
    bool operator==(const Snapshot&) const = default;
  };
  struct Suspect {
    int strikes{0};
    Cycle retry_at{0};  ///< in cycles worked: idle ones cost nothing, so there is nothing to be saved in them either
    bool waits{false};  ///< the program is stopped at its head
  };
  /// A loop that waited, and its turn.
  struct Wait {
    int loop{LoopMap::kNone};
    std::uint32_t head{0};
    Cycle cycles{0};
    bool pets_watchdog{false};
    Cycle first_petted_after{0};  ///< so many cycles into the turn
    Cycle petted_before_end{0};   ///< so many cycles before the end of the turn, for the last time
    IdleTurn turn;
    TurnRecord record;
    int misses{0};  ///< how often in a row it was met and did not wait
    int replays_to_omit{0};
    int replays_failed{0};
    Cycle met_at{0};
  };
  struct Written {
    std::uint16_t address{0};
    std::uint8_t before{0};
  };
  enum class Outcome : std::uint8_t { kIdle, kBusy, kDisturbed };

  void look_at(Cycle when, Cycle patience = 0);
  void put_off(Cycle cycles) {
    next_look_ += cycles;
    latest_look_ += cycles;
  }
  [[nodiscard]] Cycle longer_stride();
  [[nodiscard]] Cycle worked_cycles() const;
  [[nodiscard]] int suspect_at(std::uint32_t pc) const;
  [[nodiscard]] Outcome probe(int index);
  [[nodiscard]] bool alone_since(std::int64_t entries) const;
  [[nodiscard]] Outcome run_plainly(Cycle until);
  [[nodiscard]] Outcome go_to(std::uint32_t head);
  [[nodiscard]] Outcome step(TurnRecord* record);
  [[nodiscard]] Outcome turn(std::uint32_t head);
  [[nodiscard]] Instruction next_instruction() const;
  [[nodiscard]] bool harmless(const Instruction& one);
  [[nodiscard]] bool may_load(std::uint32_t address);
  [[nodiscard]] bool may_store(std::uint32_t address);
  [[nodiscard]] bool may_push(unsigned bytes);
  [[nodiscard]] bool may_pop(unsigned bytes);
  void point_to(std::uint32_t address);
  [[nodiscard]] std::uint32_t address_of(const Instruction& one) const;
  [[nodiscard]] Snapshot snapshot() const;
  [[nodiscard]] bool memory_as_before() const;
  [[nodiscard]] Cycle next_event(Cycle petted_after) const;
  [[nodiscard]] const avr_cycle_timer_slot_t* bite_put_off(Cycle petted_after) const;
  void mark(std::uint32_t head, bool waits);
  void pass(Cycle cycles, Cycle petted_after = 0, Cycle petted_before_end = 0);
  void pass_turns(Cycle turn_cycles);
  [[nodiscard]] bool pass_as_before(const Wait& wait);
  [[nodiscard]] bool pass_by_replay(Wait& wait);
  [[nodiscard]] bool pass_like(const TurnRecord& record, std::uint32_t head);
  void judge(int index, Outcome outcome);
  void remember(int index, Cycle turn_cycles);
  void forget(Wait& wait);

  SimulatorCore& core_;
  avr_t* avr_;
  LoopMap loops_;
  std::vector<Suspect> suspects_;  ///< one per loop
  std::array<Peripheral*, MAX_IOs> readers_{};
  TurnReplay replay_;
  const avr_watchdog_t* watchdog_;
  std::array<Wait, kMostWaits> waits_{};

  Cycle next_look_{0};
  Cycle latest_look_{0};
  Cycle stride_{64};
  Cycle asleep_{0};
  Cycle asleep_at_look_{0};  ///< and this: at the last one that found nothing
  Cycle worked_at_look_{0};
  bool patient_{true};
  std::uint32_t draw_{1};  ///< decides when to look, and that changes nothing but the time it takes
  Cycle skipped_{0};

  // Of the turn that is being watched.
  Cycle quiet_until_{0};  ///< nothing falls due before
  int steps_{0};
  bool pets_watchdog_{false};
  bool counts_{false};  ///< reads a running counter
  Cycle turn_began_{0};
  Cycle first_petted_at_{0};
  Cycle petted_at_{0};
  IdleTurn turn_;
  TurnRecord record_;
  std::array<Written, kMostBytesWritten> written_{};
  std::size_t written_count_{0};
  Cycle same_until_{0};  ///< what it read from peripherals reads the same
};

}  // namespace dawnrig::device
