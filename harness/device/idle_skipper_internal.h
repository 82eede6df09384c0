// Passes the time of loops that only wait. A turn of the loop at hand is executed, instruction by instruction; if
// it left everything as it was, and nothing can change before the next event, then every turn until that event does the
// same, and whole turns are skipped. Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <vector>

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
    next_look_ += cycles;
    latest_look_ += cycles;
  }
  /// Looks. May execute some instructions, as running on would have, and may then let whole turns pass.
  void look();
  void start_over();

  [[nodiscard]] Cycle skipped() const { return skipped_; }

 private:
  static constexpr std::size_t kMostBytesWritten = 48;

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
  };
  struct Written {
    std::uint16_t address{0};
    std::uint8_t before{0};
  };
  enum class Outcome : std::uint8_t { kIdle, kBusy, kDisturbed };

  void look_at(Cycle when, Cycle patience = 0);
  [[nodiscard]] Cycle worked_cycles() const;
  [[nodiscard]] int suspect_at(std::uint32_t pc) const;
  [[nodiscard]] Outcome probe(int index);
  [[nodiscard]] Outcome run_plainly(Cycle until);
  [[nodiscard]] Outcome go_to(std::uint32_t head, bool out_of_routines);
  [[nodiscard]] Outcome step(bool out_of_routines = false);
  [[nodiscard]] Outcome turn(std::uint32_t head);
  [[nodiscard]] Instruction next_instruction() const;
  [[nodiscard]] bool harmless(const Instruction& one);
  [[nodiscard]] bool may_load(std::uint32_t address);
  [[nodiscard]] bool may_store(std::uint32_t address);
  [[nodiscard]] bool may_push(unsigned bytes);
  [[nodiscard]] std::uint32_t address_of(const Instruction& one) const;
  [[nodiscard]] Snapshot snapshot() const;
  [[nodiscard]] unsigned stack_pointer() const;
  [[nodiscard]] bool memory_as_before() const;
  [[nodiscard]] Cycle next_event() const;
  void pass_turns(Cycle turn_cycles);
  [[nodiscard]] bool pass_counting_turns(std::uint32_t head);
  void judge(int index, Outcome outcome);

  SimulatorCore& core_;
  avr_t* avr_;
  LoopMap loops_;
  std::vector<Suspect> suspects_;  ///< one per loop
  std::array<Peripheral*, MAX_IOs> readers_{};
  TurnReplay replay_;
  int replay_of_{LoopMap::kNone};  ///< the loop whose turn is recorded there
  const avr_watchdog_t* watchdog_;
  int favourite_{LoopMap::kNone};  ///< the loop that idled last
  int favourite_missed_{0};        ///< how often it has not been met again since

  Cycle next_look_{0};
  Cycle latest_look_{0};
  Cycle stride_{64};
  Cycle skipped_{0};

  // Of the turn that is being watched.
  Cycle quiet_until_{0};  ///< nothing falls due before
  int steps_{0};
  bool pets_watchdog_{false};
  bool counts_{false};  ///< reads a running counter
  Cycle turn_began_{0};
  std::array<Written, kMostBytesWritten> written_{};
  std::size_t written_count_{0};
  Cycle same_until_{0};  ///< what it read from peripherals reads the same
};

}  // namespace dawnrig::device
