// Executes the instructions that only compute: registers, flags, program flow, memory. Taken apart once per image, they
// cost a fraction of what the simulator's own decoding does; with everything else the simulator remains the one that
// knows. Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdint>
#include <vector>

#include "harness/device/instruction.h"
#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

/// Does to the processor just what the simulator would have done, cycle for cycle: arithmetic with its flags, branches,
/// calls, and loads and stores of memory and of registers that nobody listens to. Stops before any instruction that
/// touches a peripheral, changes whether interrupts are enabled, sleeps, writes program memory, leaves memory, or is
/// not one of those it knows: those go to the simulator, which alone calls back, traps and reports. Held to the
/// simulator, state by state, in tests/device/plain_runner_test.cc, and on every image of the repository by
/// tests/rig/skipping_test.cc.
class PlainRunner {
 public:
  explicit PlainRunner(avr_t* avr);

  /// Executes while the cycle count is below `until` and the next instruction is plain. No interrupt may be due.
  /// Returns whether `until` was reached.
  bool run(Cycle until);
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
  struct Plain {
    Execute execute{nullptr};
    Instruction one;
  };

  Processor cpu_;
  std::vector<Plain> code_;          // one per word of program memory
  std::vector<std::uint8_t> words_;  // likewise
};

/// How an instruction is executed; never null.
[[nodiscard]] PlainRunner::Execute plain_arithmetic(const Instruction& one, unsigned opcode);
[[nodiscard]] PlainRunner::Execute plain_flow(const Instruction& one);

}  // namespace dawnrig::device
