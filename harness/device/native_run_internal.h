// Runs of plain instructions that are executed often, as straight lines of this machine's own instructions.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "harness/device/plain_blocks_internal.h"

namespace dawnrig::device {

/// How flags follow from the numbers that an instruction worked on. What those are is kept where the instruction is
/// executed, and who needs the flags works them out: mostly nobody does.
struct FlagRule {
  enum class Kind : std::uint8_t { kNone, kSum, kDifference, kLogic, kComplement, kShift, kProduct };
  Kind kind{Kind::kNone};
  std::uint8_t sets{0};      ///< one bit per flag
  bool takes_carry{false};   ///< reads C
  bool keeps_zero{false};    ///< Z stays clear where it was
  bool highest_zero{false};  ///< Z is that of the highest byte alone
};

/// One instruction, or some that are one to this machine.
struct NativeStep {
  std::size_t at{0};  ///< word of program memory
  Instruction one;    ///< the first of them
  unsigned count{1};  ///< of them
  unsigned bytes{1};  ///< of the number that arithmetic works on
  FlagRule rule;
  std::uint8_t reads{0};        ///< flags that what comes next depends on
  std::uint8_t at_once{0};      ///< flags that it puts where they belong
  bool may_leave{false};        ///< it may turn out that it is not plain, with everything as before it
  bool takes_all{false};        ///< reads the flags as a whole
  bool kept{false};             ///< what its flags follow from
  bool first_in_parts{false};   ///< its bytes, or some, lie in registers that are not neighbours
  bool second_in_parts{false};  ///< likewise; putting them together spoils this machine's flags
};

/// What a run does up to where it ends, or something comes that is not for here.
struct NativeTrace {
  enum class End : std::uint8_t {
    kGoesOn,   ///< with the handler of the instruction at `last`, in the same run
    kBegins,   ///< the run at `last`
    kReturns,  ///< to where the stack says, by the instruction at `last`
  };
  std::size_t first{0};
  std::vector<NativeStep> steps;
  End end{End::kGoesOn};
  std::size_t last{0};
  [[nodiscard]] bool is_nothing() const { return steps.empty() && end == End::kGoesOn; }
  std::optional<std::size_t> behind;  ///< where the run goes on behind an instruction that is not for here
};

/// Where runs are taken from.
struct RunSource {
  std::span<const BlockOp> ops;
  const std::vector<Instruction>& code;
  const BlockCpu& cpu;
};

[[nodiscard]] NativeTrace native_trace(const RunSource& from, std::size_t at);
/// Its second number is one.
[[nodiscard]] bool has_constant(const Instruction& one);
/// Flags that this machine's own flags stand for right behind such an instruction.
[[nodiscard]] unsigned machine_flags(const NativeStep& step);
/// Leaves this machine's flags alone.
[[nodiscard]] bool is_a_move(const NativeStep& step);

/// Of those that it depends on, the ones that this machine's flags do not show; `shown`: in front of it.
[[nodiscard]] inline unsigned unseen_by(const NativeStep& step, unsigned shown) {
  return step.first_in_parts || step.second_in_parts ? step.reads : step.reads & ~shown;
}
/// The same of any step; `shown`: in front of it.
[[nodiscard]] unsigned shown_behind(const NativeStep& step, unsigned shown);

/// On the way through a trace, the flags that do not stand where they belong, by the steps that they follow from.
class OpenFlags {
 public:
  struct Of {
    std::size_t step;
    unsigned flags;
  };
  void pass(std::size_t index, const NativeStep& step);
  [[nodiscard]] const std::vector<Of>& all() const { return all_; }
  [[nodiscard]] unsigned flags() const;

 private:
  void close(unsigned flags);

  std::vector<Of> all_;
};

/// Keeps them. Where this machine is not one it knows, or does not let programs write instructions, there are none.
class NativeRuns {
 public:
  NativeRuns();
  ~NativeRuns();
  NativeRuns(const NativeRuns&) = delete;
  NativeRuns& operator=(const NativeRuns&) = delete;

  /// A handler for all of it, which is something; nullptr: such instructions cannot be written. `plain`: what executes
  /// the instruction at each word otherwise.
  [[nodiscard]] BlockHandler translated(const RunSource& from, const NativeTrace& trace,
                                        std::span<const BlockHandler> plain);

 private:
  struct Machine;
  std::unique_ptr<Machine> machine_;
};

}  // namespace dawnrig::device
