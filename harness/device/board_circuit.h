// What is soldered around the interface board's processor, as far as a device under test can tell: the converter with
// eight outputs, switches that the device's own gate throws, filters, output switches, level shifters and the supply's
// switch. The wiring is that of fixtures/interface_board/README.md; a test compares the two. Room: harness/device. May
// use nothing beyond this room.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <optional>
#include <vector>

#include "harness/device/virtual_device.h"

namespace dawnrig::device {

struct BoardCircuitParams {
  std::int64_t clock_hz{16'000'000};  ///< of the board's processor: cycles below are its cycles
  double span_v{5.0};                 ///< of the converter: twice its reference
  std::array<double, 8> zero_v{};     ///< error of each output at code 0
  std::array<double, 8> gain_error_frac{};
  double gate_delay_s{150e-9};  ///< from the device's pin to the level switch thrown
  double filter_ohm{100.0};     ///< behind the level switch
  double filter_f{10e-9};
  double device_supply_v{5.0};    ///< while it is switched on
  double supply_good_v{3.0};      ///< below it the output switches open, whatever the processor says
  double board_reference_v{2.5};  ///< of the board's own converter
  double dac_reference_v{2.5};
  bool level_switch_stuck{false};  ///< a fault: no channel ever leaves the level of gate off
  bool gate_1_broken{false};       ///< a fault: gate 1's level shifter is stuck low
};

/// The world around the board's processor, and the board in front of a device. Times are cycles of the board's
/// processor.
class BoardCircuit : public Surroundings {
 public:
  static constexpr int kChannels = 4;
  explicit BoardCircuit(const BoardCircuitParams& params);
  /// What the processor drives and has to be watched for.
  [[nodiscard]] static std::vector<Pin> watched_pins();
  /// Before the first cycle: the processor whose inputs this circuit moves.
  void attach(VirtualDevice& processor);

  // Towards the device.
  /// What the device does with gate pin 0 or 1, now; nullopt: it lets go, and the board pulls the pin to "off".
  void set_gate(int gate, std::optional<bool> level);
  /// Voltage at the device's sense pin, asked for in order of time; nullopt: the output switch is open. Channels:
  /// battery, panel, current, thermistor.
  [[nodiscard]] std::optional<double> sense_v(Cycle at, int channel);
  /// What the device's plain outputs do: load_1, load_2, fault, led_1, led_2.
  void set_device_output(int output, bool level);
  [[nodiscard]] double device_supply_v() const { return supply_v_; }
  [[nodiscard]] bool reset_pulled() const { return driven_high({'G', 2}); }
  [[nodiscard]] bool boot_pulled() const { return driven_high({'G', 3}); }
  [[nodiscard]] bool fault_relay_pulled() const { return driven_high({'G', 4}); }
  [[nodiscard]] bool serial_connected() const { return driven_high({'C', 4}); }
  /// Outputs of the converter, off and on of each channel in turn.
  [[nodiscard]] const std::array<std::uint16_t, 8>& codes() const { return codes_; }
  /// Words that reached the converter, as they came, and those it could not make sense of.
  [[nodiscard]] std::int64_t words() const { return words_; }
  [[nodiscard]] std::int64_t bad_words() const { return bad_words_; }

  /// Who listens; empty: nobody. Called from inside run_until().
  std::function<void(Cycle, std::uint8_t)> on_host_byte;
  std::function<void(Cycle, std::uint8_t)> on_device_byte;  ///< only while the transmitter is connected
  std::function<void(Cycle)> on_levels_taken_over;
  std::function<void(Cycle)> on_lines;  ///< supply, reset, boot select, relay or an output switch changed

  // Surroundings of the processor.
  void on_pin(Cycle at, Pin pin, Drive drive) override;
  double adc_pin_v(Cycle at, int channel) override;
  void on_serial_byte(Cycle at, std::uint8_t byte) override;
  void on_other_serial_byte(Cycle at, int uart, std::uint8_t byte) override;
  void on_reset(Cycle at, ResetCause cause) override;
  std::uint8_t on_spi_byte(Cycle at, std::uint8_t out) override;

 private:
  /// A voltage on its way through the filter.
  struct Tap {
    double begin_v{0};
    double target_v{0};
    Cycle begin{0};
    [[nodiscard]] double v_at(Cycle at, double time_constant_cycles) const;
  };
  struct Channel {
    Tap now;
    Tap before;  ///< what holds until `now` begins: a switch takes its time
  };

  [[nodiscard]] bool driven_high(Pin pin) const;
  [[nodiscard]] bool gate_level(int gate) const;
  [[nodiscard]] bool gate_is_on(int gate) const;
  [[nodiscard]] double output_v(int output) const;
  [[nodiscard]] double tap_v(Cycle at, int channel) const;
  void show_gates(Cycle at);
  void retarget(Cycle at);
  void take_word(std::uint32_t word);
  void switch_supply(Cycle at);

  BoardCircuitParams params_;
  VirtualDevice* processor_{nullptr};
  double time_constant_cycles_;
  Cycle gate_delay_cycles_;
  std::array<std::array<Drive, 8>, 12> drives_{};  ///< ports A to L
  std::array<std::optional<bool>, 2> gates_{};
  std::array<Channel, kChannels> channels_{};
  std::array<std::uint16_t, 8> inputs_{};  ///< of the converter: loaded, not yet shown
  std::array<std::uint16_t, 8> codes_{};
  std::uint32_t shifted_{0};
  int shifted_bytes_{0};
  bool reference_on_{false};
  std::int64_t words_{0};
  std::int64_t bad_words_{0};
  double supply_v_{0};
};

}  // namespace dawnrig::device
