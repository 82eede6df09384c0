// Executes most instructions: registers, flags, program flow, memory, registers of peripherals. Taken apart once per
// image, they cost a fraction of what the simulator's own decoding does; with everything else the simulator remains the
// one that knows. Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>
#include <vector>

#include "harness/device/instruction.h"
#include "harness/device/plain_blocks_internal.h"
#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

/// Does to the processor just what the simulator would have done, cycle for cycle: arithmetic with its flags, branches,
/// calls, loads and stores of memory and of peripherals' registers, their bits, program memory, the interrupt flag,
/// sleep. Whoever owns a register is called as the simulator would have called it. Stops before any instruction that
/// skips by a bit of a register, writes program memory, leaves memory, or is not one of those it knows: those go to the
/// simulator, which alone traps and reports. Runs of instructions that end before the next event are executed as wholes
/// (PlainBlocks), the others one at a time. Held to the simulator, state by state, in
/// tests/device/plain_runner_test.cc and plain_blocks_test.cc, and on every image of the repository by
/// tests/rig/skipping_test.cc.
class PlainRunner {
 public:
  /// `translate_after`: see DeviceParams. `sleeper`: nullptr: it ends with the processor asleep.
  PlainRunner(avr_t* avr, std::uint16_t translate_after, Sleeper* sleeper = nullptr);

  enum class Outcome : std::uint8_t {
    kToSettle,  ///< `limit` or an event was reached, or the last instruction asks for events and interrupts to be
                ///< looked at
    kNotPlain,  ///< the simulator has to execute the next instruction
    kStopped,   ///< the next instruction is one to stop at
  };
  /// Executes what is plain while the cycle count is below `limit` and no event is due. If an interrupt is about to be
  /// served, or would be after one more instruction, that is one instruction. `past_stop`: the first one is executed
  /// also if it is one to stop at.
  Outcome run(Cycle limit, bool past_stop = false);
  /// Has run() stop where a jump or return leads to this instruction. Forgotten when program memory is written to.
  void stop_at(std::uint32_t pc) { blocks_.stop_at(pc); }
  void let_pass(std::uint32_t pc) { blocks_.let_pass(pc); }
  /// Every peripheral has taken its registers. Has to be called before the first run, and when that may have changed.
  void registers_taken();
  [[nodiscard]] const Translations& translations() const { return blocks_.translations(); }
  /// Program memory has been written to.
  void start_over();

  /// The processor, and what the instruction at hand makes of the program counter.
  struct Processor {
    std::uint8_t* data;
    std::uint8_t* flag;
    avr_t* avr;
    std::uint32_t ram_start;
    std::uint32_t flash_bytes;
    const std::uint8_t* words;  ///< how many words the instruction at each word of program memory has
    std::uint32_t next;         ///< byte address
  };
  /// How many cycles the instruction took; kNotPlain: it was not executed.
  using Execute = int (*)(Processor& cpu, const Instruction& one);
  static constexpr int kNotPlain = -1;

 private:
  struct Taken {
    bool for_reads{false};
    bool for_writes{false};
    bool listened_to{false};
    bool operator==(const Taken&) const = default;
  };

  [[nodiscard]] bool step();

  Processor cpu_;
  PlainBlocks blocks_;
  std::vector<Execute> code_;             // one per word of program memory
  std::vector<Instruction> taken_apart_;  // likewise
  std::vector<std::uint8_t> words_;       // likewise
  std::vector<Taken> taken_;              // one per register
};

/// How an instruction is executed; never null.
[[nodiscard]] PlainRunner::Execute plain_arithmetic(const Instruction& one);
[[nodiscard]] PlainRunner::Execute plain_flow(const Instruction& one);

}  // namespace dawnrig::device
