// One turn of a loop that left everything as it was: what it looked at, and what it leaves behind. While all that
// reads as it did, the next turn is that turn again, and need not be executed to know it.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>

#include "harness/device/instruction.h"
#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

class Peripheral;

class IdleTurn {
 public:
  using Readers = std::array<Peripheral*, MAX_IOs>;

  // While it is executed, instruction by instruction.

  /// It begins, at the loop's head.
  void begin(const avr_t* avr);
  /// What the next instruction does to registers and flags.
  void meet(const Instruction& one);
  /// The next instruction reads a cell of memory, or a register of a peripheral that vouches for it.
  void read(avr_t* avr, std::uint32_t address);
  void write(std::uint32_t address);
  /// It depends on more than can be remembered here.
  void give_up() { usable_ = false; }
  /// It has ended after so many cycles, with everything as it was at its beginning.
  void finish(const avr_t* avr, Cycle cycles);

  // From then on, at the loop's head.

  /// Until when turns beginning now do the same, no interrupt being about to be served and no event falling due; not
  /// beyond this instant: the next one may not.
  [[nodiscard]] Cycle repeats_until(avr_t* avr, const Readers& readers) const;
  /// What such a turn leaves in registers, flags and memory.
  void leave_behind(avr_t* avr) const;

 private:
  static constexpr std::size_t kMostCells = 48;
  using Words = std::array<std::uint64_t, 4>;  ///< the registers

  struct Cell {
    std::uint16_t address{0};
    std::uint8_t value{0};
    bool asks{false};  ///< a peripheral
  };
  class Cells {
   public:
    [[nodiscard]] bool add(const Cell& cell);
    [[nodiscard]] bool has(std::uint32_t address) const;
    [[nodiscard]] Cell* begin() { return cells_.data(); }
    [[nodiscard]] Cell* end() { return cells_.data() + count_; }
    [[nodiscard]] const Cell* begin() const { return cells_.data(); }
    [[nodiscard]] const Cell* end() const { return cells_.data() + count_; }
    void clear() { count_ = 0; }

   private:
    std::array<Cell, kMostCells> cells_{};
    std::size_t count_{0};
  };

  [[nodiscard]] static Words registers_of(const avr_t* avr);
  [[nodiscard]] static std::uint64_t flags_of(const avr_t* avr);

  bool usable_{false};
  bool finished_{false};
  Cycle cycles_{0};
  unsigned stack_pointer_{0};
  Words registers_{};
  std::uint64_t flags_{0};
  // One bit per register or flag that it reads before it sets it, or sets.
  std::uint32_t registers_read_{0}, registers_set_{0};
  std::uint32_t flags_read_{0}, flags_set_{0};
  // The same with a byte of ones for each bit, once it has finished.
  Words where_read_{}, where_set_{};
  std::uint64_t flags_where_read_{0}, flags_where_set_{0};
  Cells read_;  ///< in this order, those that it reads before it writes them
  Cells written_;
};

}  // namespace dawnrig::device
