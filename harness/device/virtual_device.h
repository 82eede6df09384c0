// The simulated microcontroller: runs an unmodified firmware image instruction by instruction and shows its pins, its
// ADC and its serial line to whoever closes the loop around it. Room: harness/device. The only room that knows the
// instruction simulator (in .cc files); knows nothing of the plant.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "harness/device/adc_converter.h"
#include "harness/device/image.h"
#include "harness/device/parts.h"

namespace dawnrig::device {

using Cycle = std::int64_t;  ///< CPU cycles since the device was first powered; never reset

enum class Drive : std::uint8_t { kLow, kHigh, kHighImpedance, kPullUp };
enum class ResetCause : std::uint8_t { kPowerOn, kExternal, kBrownOut, kWatchdog };

/// The world around the device. Calls come in order of time, from inside run_until(); what they ask of the processor
/// itself (its flags, say) may be old then, and they may not hold its reset.
class Surroundings {
 public:
  virtual ~Surroundings() = default;
  /// A watched pin changed what it does to the outside, at `at`.
  virtual void on_pin(Cycle at, Pin pin, Drive drive) = 0;
  /// The sample-and-hold of the ADC closes at `at`: the voltage at the pin of `channel`.
  virtual double adc_pin_v(Cycle at, int channel) = 0;
  virtual void on_serial_byte(Cycle at, std::uint8_t byte) = 0;  ///< UART0, at the end of the byte's stop bit
  /// The same of a part's further lines: `uart` is 1, 2 or 3. Nobody listens unless this is overridden.
  virtual void on_other_serial_byte(Cycle at, int uart, std::uint8_t byte);
  virtual void on_reset(Cycle at, ResetCause cause) = 0;
  /// The SPI, as master, has shifted `out` by `at`; returns what came in from the slave (nothing there: all ones).
  virtual std::uint8_t on_spi_byte(Cycle at, std::uint8_t out);
};

struct DeviceParams {
  std::string part{"atmega328p"};
  std::int64_t clock_hz{16'000'000};
  double supply_v{5.0};
  std::optional<double> aref_v;
  double internal_reference_v{1.1};
  double internal_reference_2_v{2.56};
  double startup_delay_s{0.065};  ///< pins are high-impedance and no instruction runs after a power-on reset
  AdcErrors adc;
  std::uint64_t seed{0};     ///< SRAM contents at power-up and converter noise
  std::vector<Pin> watched;  ///< pins whose changes are reported
  /// Whether the time of a sleeping processor, and of loops that provably do nothing but wait, passes in one go, and
  /// most instructions are executed by this room. Changes nothing but the time a run takes; without it the
  /// packaged simulator executes every instruction, and every cycle of sleep is gone through.
  bool skip_idle{true};
  /// How often a run of instructions begins before instructions of this machine are made of it, which costs as much as
  /// some hundred of its beginnings; 0: they never are. Changes nothing but the time, either.
  std::uint16_t translate_after{500};
};

/// Runs of instructions of which instructions of this machine were made, and could not be: on a machine that is not
/// known here, all of them.
struct Translations {
  std::int64_t made{0};
  std::int64_t refused{0};
};

enum class RunStatus : std::uint8_t {
  kRunning,  ///< reached the asked-for cycle
  kCrashed,  ///< illegal instruction, access outside memory, or the like: crash_reason() says; every pin is
             ///< high-impedance
};

/// One simulated device. Not copyable; independent instances may run in different threads.
class VirtualDevice {
 public:
  VirtualDevice(const DeviceParams& params, const Image& image, Surroundings& surroundings);
  ~VirtualDevice();
  VirtualDevice(const VirtualDevice&) = delete;
  VirtualDevice& operator=(const VirtualDevice&) = delete;

  [[nodiscard]] Cycle now() const;
  /// Runs until now() >= until (an instruction may overshoot by a few cycles). Every event before `until` has been
  /// reported when it returns. Sleeping costs nothing: simulated time jumps to the next event.
  RunStatus run_until(Cycle until);
  [[nodiscard]] const std::string& crash_reason() const;
  [[nodiscard]] Cycle crashed_at() const;  ///< of the last crash; of no meaning before one

  // Stimuli; each acts at now().
  void hold_reset(bool low);           ///< the RESET pin
  void power_off();                    ///< pins go high-impedance; cycles go on passing without instructions
  void power_on();                     ///< SRAM garbage from the seed, reset cause power-on, start-up delay
  void stall();                        ///< the CPU executes nothing more until the next reset; peripherals run on
  void set_supply_v(double supply_v);  ///< AVCC with it
  void set_reference_error_frac(double error);  ///< of whichever reference is chosen
  void set_pin_noise_v(int adc_channel, double rms_v);
  /// What the outside puts on an input pin; nullopt: nothing is connected. Input capture, external and pin-change
  /// interrupts and counter inputs see the edge.
  void set_pin_level(Pin pin, std::optional<bool> level);
  /// To line `uart`, at its programmed baud rate, one after another. A line that the part does not have hears nothing.
  void send_serial(std::span<const std::uint8_t> bytes, int uart = 0);
  [[nodiscard]] std::int64_t serial_overruns(int uart = 0) const;  ///< bytes silicon would have dropped

  [[nodiscard]] std::vector<std::uint8_t> eeprom() const;
  void set_eeprom(std::span<const std::uint8_t> bytes);
  [[nodiscard]] std::optional<std::uint32_t> address_of(std::string_view symbol) const;
  [[nodiscard]] std::uint8_t peek(std::uint32_t data_address) const;
  [[nodiscard]] std::uint8_t flags() const;          ///< the status register; what peek() has of it may be old
  [[nodiscard]] std::uint32_t next_address() const;  ///< of the next instruction, in bytes
  void poke(std::uint32_t data_address, std::uint8_t value);
  [[nodiscard]] Drive drive_of(Pin pin) const;
  /// When a timer will next move a pin, if nothing is written to its registers before and no compare value waits to
  /// come into force; the end of time: not by itself.
  [[nodiscard]] Cycle next_timed_edge() const;
  [[nodiscard]] std::int64_t eeprom_writes() const;
  [[nodiscard]] const std::vector<std::int64_t>& eeprom_cell_writes() const;
  [[nodiscard]] Translations translations() const;
  [[nodiscard]] Cycle idle_cycles() const;  ///< that passed without an instruction: slept, or skipped

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::device
