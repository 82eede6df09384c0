// Runs of plain instructions, executed as wholes: time is looked at once per run, and flags that the run itself
// overwrites before anybody can see them are not worked out.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <memory>
#include <span>
#include <vector>

#include "harness/device/instruction.h"
#include "harness/device/simavr_internal.h"
#include "harness/device/virtual_device.h"

namespace dawnrig::device {

struct BlockOp;
struct BlockCpu;
struct BlockPart;
class NativeRuns;

constexpr std::uint32_t kProgramControl = 0x57;  ///< of zero, program memory reads as itself
constexpr unsigned kMostAlike = 16;              ///< pushes, or pops, that one handler executes
constexpr unsigned kMostInARow = 4;              ///< additions with carry and the like
constexpr unsigned kMostAsOne = 5;               ///< of any kind
constexpr std::uint8_t kLongestRun = 64;         ///< the longer, the more often one does not fit in before an event

/// Executes one instruction and those behind it up to the end of their run. Returns where to go on; nullptr: a run ends
/// before `cpu.stopped_at`, and everything is as before that instruction.
using BlockHandler = const BlockOp* (*)(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu);

/// One per word of program memory, so that the instruction behind is the next element or the one after it.
struct BlockOp {
  BlockHandler go{nullptr};     ///< for the instruction before
  BlockHandler begin{nullptr};  ///< for whoever starts a run here; differs where a run was cut
  std::int32_t jump{0};         ///< how many bytes further in this array its target stands
  /// Constant, data address or displacement; of a branch, the time that taking it gives back, run at its target paid;
  /// of a call, where it comes back to, if two bytes hold that.
  std::uint16_t k{0};
  std::uint16_t rest{0};  ///< cycles from here to the end of the run, if no branch is taken
  std::uint8_t d{0};
  std::uint8_t r{0};       ///< or the lower register of the pointer
  std::uint8_t b{0};       ///< which bit or flag
  std::uint8_t count{1};   ///< how many with the same operation stand in a row from here; how many words a skip skips
  std::uint8_t needs{0};   ///< flags that must be right before it
  std::uint8_t length{0};  ///< instructions from here to the end of the run; none: it is not for here
  std::uint16_t heat{0};   ///< how often a run began here, until it is translated

  [[nodiscard]] const BlockOp* target() const {
    return reinterpret_cast<const BlockOp*>(reinterpret_cast<const std::uint8_t*>(this) + jump);
  }
};

class PlainBlocks;

/// Who passes the time while the processor sleeps.
class Sleeper {
 public:
  virtual ~Sleeper() = default;
  /// The processor has just fallen asleep, and says so itself: counter, time and whether it may be interrupted are in
  /// place; it has its other flags back by the time this returns kNoRuns. Passes its sleep and enters the routine of
  /// the interrupt that ends it. Returns up to which cycle runs may go on from there; kNoRuns: whatever is to be done
  /// next is not theirs.
  virtual Cycle sleep_through() = 0;
  static constexpr Cycle kNoRuns = std::numeric_limits<Cycle>::min();
};

/// For the instruction before: the run ends here, and the next one begins.
const BlockOp* cut(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu);
/// Whether a run that comes by goes on with it.
[[nodiscard]] inline bool joins(const BlockOp& op) {
  return op.go != cut;
}

/// The processor while runs are executed: its registers and memory stay where they are, all else is here.
struct BlockCpu {
  std::uint8_t flag[8]{};
  avr_t* avr{nullptr};
  const BlockOp* first{nullptr};  ///< of program memory
  std::uint32_t words{0};         ///< how many there are
  std::uint32_t ram_start{0};
  std::uint32_t ram_span{0};     ///< the last address of memory, counted from its first
  std::uint32_t stack_floor{0};  ///< a stack below is watched by somebody else
  std::uint32_t stack_span{0};   ///< the last address of memory, counted from there
  Cycle left{0};                 ///< cycles from the end of the run at hand until `until`
  Cycle event{0};                ///< the next event, or `limit`
  Cycle until{0};                ///< that or earlier: how far runs may follow one another
  Cycle limit{0};
  const BlockOp* stopped_at{nullptr};
  PlainBlocks* owner{nullptr};
  std::uint16_t translate_after{0};                              ///< beginnings of a run
  std::array<std::array<std::uint32_t, 3>, kLongestRun> kept{};  ///< what flags follow from: see NativeStep

  /// Ends a run before the instruction at hand.
  const BlockOp* leave(const BlockOp* op) {
    left += op->rest;
    stopped_at = op;
    return nullptr;
  }
};

/// Whether an interrupt is about to be served, at once or after one more instruction, or the processor does not run.
[[nodiscard]] inline bool disturbed(const avr_t* avr) {
  return avr->state != cpu_Running || avr->interrupt_state < 0 || (avr->interrupt_state > 0 && avr->sreg[S_I] != 0);
}
/// The first event, or `limit` if that is earlier.
[[nodiscard]] inline Cycle first_event(const avr_t* avr, Cycle limit) {
  const avr_cycle_timer_slot_t* const first = avr->cycle_timers.timer;
  return first != nullptr && static_cast<Cycle>(first->when) < limit ? static_cast<Cycle>(first->when) : limit;
}

/// Where the next event stands decides how far runs may go: only those are begun that end by then, but
/// for the cycle or two of a branch or skip at their end that is taken. The rest, and every
/// instruction that is not plain or turns out not to be, is left to PlainRunner. Held to the simulator with it.
class PlainBlocks {
 public:
  /// `translate_after`: see DeviceParams. `sleeper`: nullptr: runs end with the processor asleep.
  PlainBlocks(avr_t* avr, std::uint16_t translate_after, Sleeper* sleeper);
  ~PlainBlocks();

  /// `code`: what stands at each word of program memory; stays there.
  void take(const std::vector<Instruction>& code);
  /// Executes whole runs from the program counter on that end by `limit` and by the next event. Returns whether one of
  /// them was reached, an interrupt is about to be served, or the processor no longer runs; if not, the instruction at
  /// hand is not for runs, or its run ends too late. Where sleep is passed the limit moves on.
  bool run(Cycle limit);
  [[nodiscard]] Cycle limit() const { return cpu_.limit; }
  /// Runs end where they would jump or return to this instruction, until let_pass(), or until code is taken anew.
  void stop_at(std::uint32_t pc);
  void let_pass(std::uint32_t pc);
  /// Whether that is why run() gets no further.
  [[nodiscard]] bool stops_at(std::uint32_t pc) const;
  /// A run has begun at this instruction as often as makes it worth while to make machine instructions of it. Returns
  /// it.
  const BlockOp* translate(const BlockOp* op);
  /// For a processor that has just fallen asleep before `behind`, with all that it needs for that in place but counter,
  /// time and flags. Returns where to go on, once it has been woken; nullptr: runs do not.
  const BlockOp* sleep_through(const BlockOp* behind);
  [[nodiscard]] bool sleeps_through() const { return sleeper_ != nullptr; }
  [[nodiscard]] const Translations& translations() const { return translations_; }
  /// What executes it as long as nobody does.
  [[nodiscard]] BlockHandler plain(const BlockOp* op) const {
    return plain_[static_cast<std::size_t>(op - cpu_.first)];
  }
  /// Whether run() would get any further, with nothing to happen before `event`.
  [[nodiscard]] bool have_time(Cycle event) const {
    const avr_t* const avr = cpu_.avr;
    const BlockOp* const op = avr->pc / 2U < cpu_.words ? cpu_.first + avr->pc / 2U : nullptr;
    return op != nullptr && op->length != 0 && now_of(avr) + op->rest <= event;
  }

 private:
  void place(std::size_t at, const std::vector<Instruction>& code);
  [[nodiscard]] BlockPart memory(std::size_t at, std::span<const Instruction> here) const;
  [[nodiscard]] BlockPart arithmetic(std::size_t at, std::span<const Instruction> here,
                                     const std::vector<Instruction>& code) const;

  struct Stop {
    BlockOp* op{nullptr};
    BlockHandler begin{nullptr};
    std::uint8_t needs{0};
  };

  BlockCpu cpu_;
  Sleeper* sleeper_;
  std::vector<BlockOp> ops_;
  std::vector<BlockHandler> plain_;                // for each
  const std::vector<Instruction>* code_{nullptr};  // likewise
  Translations translations_;
  std::unique_ptr<NativeRuns> native_;  // none before a run is worth it
  std::vector<Stop> stops_;
};

/// Has the pointer worked out in the register that it is handed on in. The compiler would do that beside the look-up of
/// the handler and copy it afterwards: at the end of each instruction.
inline const BlockOp* settled(const BlockOp* op) {
  asm("" : "+r"(op));  // emits nothing
  return op;
}

/// The run that begins at `target`, if the time is there for it.
inline const BlockOp* go_to(std::uint8_t* data, const BlockOp* target, BlockCpu& cpu) {
  const Cycle left = cpu.left - target->rest;
  if (left < 0) {
    return target;
  }
  cpu.left = left;
  const BlockOp* const there = settled(target);
  return there->begin(data, there, cpu);
}
/// The run that begins at a branch's target, instead of the rest of the one at hand.
inline const BlockOp* take_branch(std::uint8_t* data, const BlockOp* branch, BlockCpu& cpu) {
  const BlockOp* const target = branch->target();
  const Cycle left = cpu.left + static_cast<std::int16_t>(branch->k);
  if (left < 0) {
    cpu.left = left + target->rest;
    return target;
  }
  cpu.left = left;
  const BlockOp* const there = settled(target);
  return there->begin(data, there, cpu);
}
/// The next instruction of a run.
inline const BlockOp* go_on(std::uint8_t* data, const BlockOp* op, BlockCpu& cpu) {
  const BlockOp* const there = settled(op);
  return there->go(data, there, cpu);
}

inline unsigned word_at(const std::uint8_t* low) {
  return low[0] | (static_cast<unsigned>(low[1]) << 8U);
}
inline void put_word(std::uint8_t* low, unsigned word) {
  low[0] = static_cast<std::uint8_t>(word);
  low[1] = static_cast<std::uint8_t>(word >> 8U);
}
static_assert(R_SPH == R_SPL + 1, "the stack pointer is a word");

/// Cycles after which the way leads back to PlainBlocks::run(), so that calls do not pile up where no optimiser makes
/// jumps of them.
constexpr Cycle kLongestWay = 2048;

}  // namespace dawnrig::device
