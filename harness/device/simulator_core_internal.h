// One simulated CPU: creation, run loop, sleep, resets, and the verdict when firmware does what silicon forbids.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <cstdarg>
#include <cstdint>
#include <limits>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "harness/device/idle_skipper_internal.h"
#include "harness/device/interrupts_internal.h"
#include "harness/device/plain_runner_internal.h"
#include "harness/device/simavr_internal.h"

namespace dawnrig::device {

/// What a peripheral model of ours owes the CPU.
class Peripheral {
 public:
  virtual ~Peripheral() = default;
  /// Registers were just cleared and every appointment dropped; puts reset values back.
  virtual void reset() = 0;
  /// An interrupt routine of its own was just entered: flags that follow a level ask again here. Only for those that
  /// asked to be told.
  virtual void interrupt_entered() {}
  /// The CPU enters (true) or leaves (false) a sleep mode in which the I/O clock stands still.
  virtual void io_clock_stopped(bool /*stopped*/) {}
  /// The CPU fell asleep in ADC noise reduction mode.
  virtual void quiet_sleep_entered() {}
  /// What a read of a running counter will give at a later instant, if nothing is written and no appointment falls due
  /// before; nullopt: `address` is no counter of this peripheral.
  [[nodiscard]] virtual std::optional<std::uint8_t> count_at(avr_io_addr_t /*address*/, Cycle /*at*/) const {
    return std::nullopt;
  }
  /// Until when reads of a register that this peripheral vouches for give what they give now, if nothing is written and
  /// no appointment falls due before. Only such reads come here as do nothing, or nothing that a second one would add
  /// to.
  [[nodiscard]] virtual Cycle reads_same_until(avr_io_addr_t /*address*/) { return std::numeric_limits<Cycle>::max(); }
};

class SimulatorCore : private Sleeper {
 public:
  /// Throws base::BadInput if the simulator does not know the part or the image does not fit it.
  /// See DeviceParams.
  struct Shortcuts {
    bool skip_idle;
    std::uint16_t translate_after;
  };
  SimulatorCore(const std::string& part, std::int64_t clock_hz, const Image& image, const Shortcuts& shortcuts);
  ~SimulatorCore() override;
  SimulatorCore(const SimulatorCore&) = delete;
  SimulatorCore& operator=(const SimulatorCore&) = delete;

  [[nodiscard]] avr_t* avr() const { return avr_; }
  [[nodiscard]] Cycle now() const { return now_of(avr_); }
  void attach(Peripheral& peripheral) { peripherals_.push_back(&peripheral); }
  /// Calls its interrupt_entered() when `vector` has been served and is enabled and, if `flagged`, its flag still
  /// stands.
  void tell_of_interrupts(Peripheral& peripheral, const avr_int_vector_t& vector, bool flagged = true);
  /// See IdleSkipper::vouch_for().
  void vouch_for(avr_io_addr_t address, Peripheral& reader);

  void raise(avr_int_vector_t& vector);
  /// Asks for service if the interrupt is enabled and its flag stands: what hardware does the instant an enable bit is
  /// set.
  void ask_if_flagged(avr_int_vector_t& vector) {
    if (vector.pending == 0 && bit_of(avr_, vector.enable) && bit_of(avr_, vector.raised)) {
      raise(vector);
    }
  }

  /// Executes until now() >= until, a crash, or a watchdog reset (see bitten()).
  void run(Cycle until);
  /// Executes one instruction, or as many as the simulator may by itself, and what falls due with them.
  void run_awake();
  /// Executes what is plain until `limit` or an event, or one instruction that is not, and what falls due then. Returns
  /// whether the next instruction is one to stop at; `past_stop`: the first one is executed all the same.
  /// `sleeps_through`: goes on beyond `limit` where the processor sleeps, as far as run() would.
  bool execute(Cycle limit, bool past_stop, bool sleeps_through = false);
  void stop_at(std::uint32_t pc) { runner_->stop_at(pc); }
  void let_pass(std::uint32_t pc) { runner_->let_pass(pc); }
  [[nodiscard]] std::int64_t interrupts_entered() const { return interrupts_entered_; }
  [[nodiscard]] Translations translations() const { return runner_ ? runner_->translations() : Translations{}; }
  [[nodiscard]] std::size_t program_bytes() const { return program_bytes_; }
  /// Cycles that passed without an instruction: asleep, or skipped in a loop that idles.
  [[nodiscard]] Cycle idle_cycles() const { return slept_ + (skipper_ ? skipper_->skipped() : 0); }
  /// Time passes with the CPU and every peripheral dead.
  void pass_time(Cycle until);

  /// Registers and peripherals to their reset values; appointments dropped; the cycle count goes on.
  void reset();
  /// The watchdog wants a reset, for which run() stops; reset() then restarts it at its fastest interval.
  [[nodiscard]] bool bitten() const { return avr_->run != usual_run_; }
  /// For an appointment that would make another one. If the processor sleeps, and nothing falls due until then, makes
  /// the time that instant; returns whether it did.
  [[nodiscard]] bool sleeps_on_to(Cycle at);
  void set_stalled(bool stalled) { stalled_ = stalled; }

  [[nodiscard]] const std::string& crash_reason() const { return crash_reason_; }
  [[nodiscard]] bool crashed() const { return !crash_reason_.empty(); }
  void crash(const std::string& what);

  /// What the simulator's logger says about this core.
  void hear(int level, const char* format, std::va_list arguments);

 private:
  /// An interrupt that follows a level.
  struct Level {
    Peripheral* peripheral{nullptr};
    const std::uint8_t* enable{nullptr};
    const std::uint8_t* raised{nullptr};
    std::uint8_t enable_mask{0};
    std::uint8_t raised_mask{0};
    [[nodiscard]] bool stands() const {
      return peripheral != nullptr && (*enable & enable_mask) != 0 && (*raised & raised_mask) != 0;
    }
  };

  void run_plainly();
  void settle();
  void process_events() {
    if (runner_) {
      process_due_events(avr_);
    } else {
      avr_cycle_timer_process(avr_);
    }
  }
  [[nodiscard]] bool skips_too_far_at(avr_flashaddr_t pc) const;
  void run_asleep();
  void wake_up();
  void pass_sleep();
  Cycle sleep_through() override;
  void allow_strides();
  void enter_interrupts();
  void respond();
  void watch_stack(avr_io_addr_t address, std::uint8_t value);
  void fence(Cycle when);
  [[nodiscard]] unsigned sleep_mode() const;
  void note_sleep();
  void note_wake();
  void release();

  avr_t* avr_{nullptr};
  std::vector<Peripheral*> peripherals_;
  std::vector<Level> levels_;             ///< by the word of program memory that an interrupt jumps to
  std::unique_ptr<IdleSkipper> skipper_;  ///< none: nothing is ever skipped
  std::unique_ptr<PlainRunner> runner_;   ///< none: the simulator executes every instruction
  std::optional<VectorBits> vector_bits_;
  std::string crash_reason_;
  avr_run_t usual_run_{nullptr};
  const avr_watchdog_t* watchdog_{nullptr};
  std::size_t program_bytes_;
  std::uint32_t ram_start_{0};
  std::int64_t interrupts_entered_{0};
  Cycle slept_{0};
  Cycle until_{0};
  bool fenced_{false};
  bool arrived_{false};  ///< at an instruction to stop at, which has been told of that
  bool may_sleep_through_{false};
  bool settled_{false};  ///< all that would follow the instructions just executed has been done
  bool stalled_{false};
  bool io_clock_off_{false};
  bool asleep_{false};         ///< and has been seen to be
  bool skips_too_far_{false};  ///< the simulator would, somewhere in this image
};

}  // namespace dawnrig::device
