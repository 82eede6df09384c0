// The analogue-to-digital converter as its data sheet times it: when it samples, when it is done, what firmware reads.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "harness/device/noise_source.h"
#include "harness/device/quiet_register_internal.h"
#include "harness/device/simulator_core_internal.h"
#include "harness/device/timer_unit_internal.h"

namespace dawnrig::device {

class AdcUnit : public Peripheral {
 public:
  AdcUnit(SimulatorCore& core, Surroundings& surroundings, const DeviceParams& params, std::vector<TimerUnit*> timers);
  AdcUnit(const AdcUnit&) = delete;  // registers point here
  AdcUnit& operator=(const AdcUnit&) = delete;

  void reset() override;
  void io_clock_stopped(bool stopped) override;
  void quiet_sleep_entered() override;

  void set_supply_v(double supply_v) { supply_v_ = supply_v; }
  void set_reference_error_frac(double error) { reference_error_frac_ = error; }
  void set_pin_noise_v(int channel, double rms_v);

 private:
  enum class Trigger : std::uint8_t {
    kFreeRunning,
    kComparator,
    kInt0,
    kT0MatchA,
    kT0Overflow,
    kT1MatchB,
    kT1Overflow,
    kT1Capture
  };

  void write_status(avr_io_addr_t address, std::uint8_t value);
  void write_trigger(avr_io_addr_t address, std::uint8_t value);
  void write_mux(avr_io_addr_t address, std::uint8_t value);
  void write_result(avr_io_addr_t /*address*/, std::uint8_t /*value*/) {}  ///< it can only be read
  void on_sample(Cycle when);
  void on_done(Cycle when);
  static void on_trigger_line(avr_irq_t* irq, std::uint32_t value, void* param);

  void find_trigger_flags();
  void choose_trigger();
  void start(Cycle at, Cycle to_sample_half_clocks, Cycle to_done_half_clocks);
  void start_by_software();
  void stop();
  [[nodiscard]] unsigned clock_shift() const;
  void show_result();
  [[nodiscard]] double reference_v() const;
  [[nodiscard]] double channel_v(Cycle at, unsigned channel);
  [[nodiscard]] int converted(Cycle at);

  SimulatorCore& core_;
  Surroundings& surroundings_;
  avr_adc_t& io_;
  BitField mux_field_;
  BitField reference_field_;
  std::vector<TimerUnit*> timers_;
  AdcErrors errors_;
  NoiseSource noise_;
  std::array<avr_int_vector_t*, 8> trigger_flags_{};
  avr_int_vector_t* trigger_{nullptr};  ///< the one that starts conversions
  std::array<double, 16> pin_noise_v_{};
  double supply_v_;
  std::optional<double> aref_v_;
  double internal_v_;
  double internal_2_v_;
  double reference_error_frac_{0};
  bool has_second_reference_{false};

  bool enabled_{false};
  bool first_{false};  ///< the next conversion is the long one that also warms the converter up
  std::uint8_t converting_{0};
  std::uint8_t locked_{0};  ///< ADCL was read, ADCH not yet: a new result would be lost
  NotedRead low_read_{&locked_, 1};
  NotedRead high_read_{&locked_, 0};
  KeptWrite mux_write_{};
  Cycle clock_origin_{0};  ///< edges of the ADC clock are counted from here
  Cycle started_at_{0};
  Cycle sample_at_{0};
  Cycle done_at_{0};
  unsigned mux_{0};  ///< as latched when the conversion started
  unsigned reference_{0};
  int held_code_{0};  ///< taken at the sample, published when done
  int result_{0};
};

}  // namespace dawnrig::device
