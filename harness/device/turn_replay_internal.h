// Proves of a recorded turn of a loop that the turns to come will be like it although each reads a running counter:
// replays it for sixteen of them at once, each with the counts that it will read. Nothing is changed by that; how the
// turns leave the processor shows when the last of them is executed.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "harness/device/instruction.h"
#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

class Peripheral;

/// The path of one turn of a loop, instruction by instruction.
struct TurnRecord {
  struct Step {
    Instruction one;
    std::uint32_t pc{0};
    std::uint32_t next{0};
    Cycle after{0};            ///< so many cycles into the turn it is executed
    unsigned flags_needed{0};  ///< of those it sets, the ones that somebody reads before they are set again
  };
  std::vector<Step> steps;
  Cycle cycles{0};  ///< that the turn took; none: there is no record
  unsigned stack_pointer{0};

  /// A turn begins.
  void begin(unsigned stack_pointer_there);
  /// The next instruction of the turn: at `pc`, executed `after` cycles into the turn, followed by the one at `next`.
  void add(const Instruction& one, std::uint32_t pc, Cycle after, std::uint32_t next);
  /// Ends the record: the turn took so many cycles.
  void finish(Cycle turn_cycles);
};

class TurnReplay {
 public:
  static constexpr int kLanes = 16;
  /// One byte of each of sixteen turns.
  using Bytes = std::uint8_t __attribute__((vector_size(kLanes)));
  using Readers = std::array<Peripheral*, MAX_IOs>;
  static Bytes all(unsigned value) { return Bytes{} + static_cast<std::uint8_t>(value); }

  TurnReplay(avr_t* avr, const Readers& readers) : avr_(avr), readers_(readers) {}

  /// How many of the next `most` turns, beginning now at the loop's head, take the recorded path and leave everything
  /// that a turn begins with as it is. No event may fall due in them. None, where the stack is not where it was: what
  /// lies below that was not looked at.
  [[nodiscard]] Cycle turns_alike(const TurnRecord& turn, Cycle most);
  /// Whether the registers now hold what the replay says they hold after the last of the turns alike.
  [[nodiscard]] bool came_true() const;

 private:
  using Step = TurnRecord::Step;
  struct Cell {
    std::uint32_t address{0};
    bool read_first{false};
    std::uint8_t before{0};
    Bytes now{};
  };
  static constexpr std::size_t kMostCells = 64;

  [[nodiscard]] bool replay(Cycle first_turn_at);
  [[nodiscard]] bool perform(const Step& step);
  [[nodiscard]] bool arithmetic(const Step& step);
  [[nodiscard]] bool one_operand(const Step& step);
  [[nodiscard]] bool memory(const Step& step);
  [[nodiscard]] bool flow(const Step& step);
  [[nodiscard]] bool load(std::uint32_t address, const Step& step, Bytes& value);
  [[nodiscard]] bool store(std::uint32_t address, const Bytes& value);
  [[nodiscard]] bool counts(std::uint32_t address, const Step& step, Bytes& value);
  [[nodiscard]] bool push_address(std::uint32_t address);
  [[nodiscard]] bool pop_address(std::uint32_t& address);
  [[nodiscard]] bool pointer_of(const Step& step, std::uint32_t& address);
  [[nodiscard]] Cell* cell_at(std::uint32_t address);
  [[nodiscard]] const Bytes& read(unsigned number);
  void write(unsigned number, const Bytes& value);
  [[nodiscard]] const Bytes& read_flag(unsigned bit);
  void set_flag(const Step& step, unsigned bit, const Bytes& value);
  void set_sign(const Step& step, const Bytes& result);
  void add(const Step& step, const Bytes& operand, const Bytes& carry);
  void subtract(const Step& step, const Bytes& operand, const Bytes& carry, bool keeps_zero, bool stores);
  void negate(const Step& step);
  void word(const Step& step);
  void shift_right(const Step& step, const Bytes& result);
  [[nodiscard]] int lanes_as_before() const;
  [[nodiscard]] bool demand(const Bytes& holds);

  avr_t* avr_;
  const Readers& readers_;

  // While replaying.
  const TurnRecord* turn_{nullptr};
  bool counted_{false};  ///< one of its reads was of a running counter
  std::array<Bytes, 32> registers_{};
  std::array<Bytes, 8> flags_{};  ///< 0 or 1
  unsigned registers_read_first_{0}, registers_written_{0};
  unsigned flags_read_first_{0}, flags_written_{0};
  std::array<Cell, kMostCells> cells_{};
  std::size_t cell_count_{0};
  unsigned stack_pointer_{0};
  Cycle first_turn_at_{0};
  Cycle same_until_{0};                      ///< what is read from peripherals, counters apart, reads as it does now
  Bytes alike_{};                            ///< all ones: this turn is still on the recorded path
  std::array<std::uint8_t, 32> expected_{};  ///< registers after the last of the turns alike
  unsigned expected_of_{0};
};

}  // namespace dawnrig::device
