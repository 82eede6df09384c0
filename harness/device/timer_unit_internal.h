// One timer/counter with its output compare units, cycle by cycle as the data sheet draws it, in every waveform mode.
// The simulator's own model knows no phase-correct mode, has no double buffer, and restarts its prescaler at will.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <limits>

#include "harness/device/counter_pattern.h"
#include "harness/device/pin_bank_internal.h"
#include "harness/device/timer_clock_internal.h"

namespace dawnrig::device {

enum class WaveKind : std::uint8_t { kNormal, kClearOnMatch, kFast, kPhaseCorrect, kPhaseFrequencyCorrect };
enum class TopSource : std::uint8_t { kFixed, kOcra, kIcr };
struct WaveMode {
  WaveKind kind{WaveKind::kNormal};
  TopSource top_source{TopSource::kFixed};
  std::int64_t fixed_top{255};
  bool channel_a_toggles{false};  ///< COM = 1 toggles on channel A in this PWM mode
  [[nodiscard]] bool is_pwm() const { return kind >= WaveKind::kFast; }
  [[nodiscard]] bool dual_slope() const { return kind >= WaveKind::kPhaseCorrect; }
};
/// The waveform generation table of an 8- or 16-bit timer.
[[nodiscard]] WaveMode wave_mode(bool is_16_bit, unsigned wgm);

class TimerUnit : public Peripheral {
 public:
  TimerUnit(SimulatorCore& core, PinBank& pins, TimerClocks& clocks, avr_timer_t& io);

  void reset() override;
  void io_clock_stopped(bool stopped) override;
  [[nodiscard]] Cycle reads_same_until(avr_io_addr_t address) override;
  [[nodiscard]] std::optional<std::uint8_t> count_at(avr_io_addr_t address, Cycle at) const override;
  /// Before and after the shared prescaler is held, released or reset.
  void settle() { advance(core_.now()); }
  void clock_changed();
  /// The ADC starts on one of this timer's flags: it must rise on time even with its interrupt off.
  void set_flag_watched(const avr_int_vector_t* flag);
  /// When an output changes next, if nothing is written before.
  [[nodiscard]] Cycle next_edge() const;
  [[nodiscard]] bool has_flag(const avr_int_vector_t& flag) const;

 private:
  static constexpr std::int64_t kUnknown = -1;
  enum class Action : std::uint8_t { kNone, kToggle, kClear, kSet };
  struct Channel {
    avr_timer_comp_t* io{nullptr};
    Pin pin;
    bool has_pin{false};
    bool connected{false};
    Action on_match{Action::kNone};  ///< what a match (up-counting one in dual slope) does to the output
    bool latch{false};
    std::int64_t buffer{0};  ///< what the register reads
    std::int64_t active{0};  ///< what is compared
  };

  // Registers (timer_registers.cc).
  void take_registers();
  void write_control(avr_io_addr_t address, std::uint8_t value);
  void write_force(avr_io_addr_t address, std::uint8_t value);
  void write_ocr(avr_io_addr_t address, std::uint8_t value);
  void write_icr(avr_io_addr_t address, std::uint8_t value);
  void write_tcnt(avr_io_addr_t address, std::uint8_t value);
  void write_high(avr_io_addr_t address, std::uint8_t value);
  void write_flags(avr_io_addr_t address, std::uint8_t value);
  void write_mask(avr_io_addr_t address, std::uint8_t value);
  void write_async(avr_io_addr_t address, std::uint8_t value);
  std::uint8_t read_tcnt(avr_io_addr_t address);
  std::uint8_t read_icr(avr_io_addr_t address);
  std::uint8_t read_high(avr_io_addr_t address);
  std::uint8_t read_flags(avr_io_addr_t address);
  void force_matches(unsigned channels);
  void choose_clock();
  void choose_mode();
  void choose_outputs();
  void listen_to_pins();
  static void on_capture_line(avr_irq_t* irq, std::uint32_t value, void* param);
  static void on_clock_line(avr_irq_t* irq, std::uint32_t value, void* param);
  void capture();
  /// Stores the low byte just written together with the high byte waiting in the temporary register.
  std::int64_t take_word(avr_io_addr_t low, avr_io_addr_t high, std::uint8_t value) const;
  [[nodiscard]] std::int64_t icr() const;

  // The walk (timer_unit.cc).
  void advance(Cycle to);
  void advance_ticks(std::int64_t to_tick);
  void apply(std::int64_t tick);
  struct Outline {
    std::int64_t phase{-1};  ///< -1: not on the pattern
    std::int64_t period{1};
    std::int64_t top{0};
    bool blocked{false};
  };
  void apply_output(Channel& channel, const Outline& outline, bool matched, std::int64_t compared, Cycle at);
  void on_appointment(Cycle when);
  void pass_alone();
  void know_due();
  void reschedule();
  void appoint_next();
  void rebase(std::int64_t tick, std::int64_t value, bool down);
  /// When anything happens next, and when anything that is seen without being asked for.
  struct Due {
    static constexpr std::int64_t kNever = std::numeric_limits<std::int64_t>::max();
    std::int64_t any{kNever};
    std::int64_t visible{kNever};
    /// What happens next is this flag alone, seen by itself, and it does so in each period; nullptr: it may be more.
    avr_int_vector_t* alone{nullptr};
    std::int64_t any_other{kNever};  ///< apart from that flag
    std::int64_t visible_other{kNever};

    void add(std::int64_t tick, bool seen, avr_int_vector_t* periodic = nullptr);
    void after_alone(std::int64_t next);
  };
  [[nodiscard]] Due next_events(std::int64_t after) const;
  [[nodiscard]] std::int64_t next_output(const Channel& channel, std::int64_t after) const;
  [[nodiscard]] std::int64_t next_match(const Channel& channel, std::int64_t after) const;
  [[nodiscard]] std::int64_t next_overflow(std::int64_t after) const;
  [[nodiscard]] bool stands(const avr_int_vector_t& flag) const;
  [[nodiscard]] std::int64_t takeover_phase() const;
  [[nodiscard]] std::int64_t top_from_registers() const;
  [[nodiscard]] bool takeover_pending() const;
  [[nodiscard]] std::int64_t tick_now() const;
  [[nodiscard]] Cycle cycle_of(std::int64_t tick) const;
  void raise(avr_int_vector_t& flag);
  void set_output(Channel& channel, bool level, Cycle at);
  void show_output(const Channel& channel, Cycle at);
  [[nodiscard]] int unit_id(const Channel& channel) const;

  SimulatorCore& core_;
  PinBank& pins_;
  TimerClocks& clocks_;
  avr_timer_t& io_;
  bool is_16_bit_;
  std::array<Channel, AVR_TIMER_COMP_COUNT> channels_{};
  WaveMode mode_;
  CounterPattern counter_;
  TimerClock clock_;
  std::int64_t done_tick_{0};      ///< everything up to and including this tick has been applied
  std::int64_t blocked_tick_{-1};  ///< a write to the counter blocks the match of the tick that follows
  std::int64_t outside_ticks_{0};  ///< edges counted on the Tn pin
  Due due_{kUnknown};              ///< what happens next, once it has been worked out
  bool appointed_{false};
  std::uint8_t temp_{0};  ///< the byte through which 16-bit accesses pass
  const avr_int_vector_t* watched_flag_{nullptr};
};

}  // namespace dawnrig::device
