// A bench without hardware: the interface board's own firmware and the device's in two simulated processors, wired to
// one another as the boards would be, at the far end of a line to the host. Room: harness/rig. May use harness/device,
// harness/link, harness/profile, plant.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <vector>

#include "harness/device/board_circuit.h"
#include "harness/device/image.h"
#include "harness/link/byte_stream.h"
#include "harness/link/session.h"
#include "harness/profile/profile.h"
#include "harness/rig/bench_channels.h"
#include "harness/rig/bench_rig.h"

namespace dawnrig::rig {

struct TwinSetup {
  profile::BoardProfile board;  ///< of the device
  device::Image image;          ///< of the device
  device::Image board_image;    ///< of the interface board
  std::uint64_t seed{0};
  Injection injection{Injection::kBeforeFilter};
  Nanos latency{500'000};  ///< of the line, each way, beside the time its bytes take
  double board_clock_error_frac{20e-6};
  double device_clock_error_frac{-30e-6};
  device::BoardCircuitParams circuit;      ///< `clock_hz` and supply are the profile's business
  std::vector<std::uint8_t> board_eeprom;  ///< empty: erased, so that the board has no calibration
};

/// Both processors go on in step: whenever the device converts a voltage or moves a pin, the board is brought to the
/// same instant first, so that capture and converter are exact to a cycle. What the board does to the device's supply,
/// reset and serial line arrives within 250 us.
class Twin final : public DeviceAccess {
 public:
  /// `line`: the board's end. Must outlive the twin. Throws base::BadInput as devices and channels do.
  Twin(const TwinSetup& setup, link::ByteStream& line);
  ~Twin() override;

  /// True time since the board was powered.
  [[nodiscard]] Nanos now() const;
  void run_until(Nanos until);

  void stall() override;
  bool set_counter(const profile::Counter& counter, std::uint64_t value) override;
  [[nodiscard]] const std::string& crash() const override;
  [[nodiscard]] Rig::SettingsMemory settings_memory() const override;  ///< the device's
  [[nodiscard]] const std::vector<Reset>& resets() const override;

  [[nodiscard]] std::vector<std::uint8_t> board_eeprom() const;
  [[nodiscard]] bool device_powered() const;
  /// What the device's sense pin of a channel of the board carries now.
  [[nodiscard]] double pin_v(std::size_t channel) const;
  /// At the board's output, before whatever hangs on it: where a meter is held; nullopt: its switch is open.
  [[nodiscard]] std::optional<double> output_v(std::size_t channel);
  /// Joins the gate input to the supply or to ground, in place of the device; nullopt: the device has it again.
  void join_gate(std::optional<bool> level);

  /// What the device really did and saw; for whoever compares. Called in order of time.
  std::function<void(Nanos now, bool conducts)> on_gate;
  std::function<void(Nanos now, bool conducts)> on_load_switch;
  std::function<void(Nanos now, std::size_t sense, double pin_v)> on_conversion;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// Time that passes by letting a twin run: nothing happens in between, and everything is repeatable.
class TwinClock final : public link::Clock {
 public:
  explicit TwinClock(Twin& twin) : twin_{twin} {}
  [[nodiscard]] Nanos now() const override { return now_; }
  void sleep_until(Nanos time) override;

 private:
  Twin& twin_;
  Nanos now_{0};
};

/// What a calibration with a perfect meter would find on this twin's board.
[[nodiscard]] link::Calibration true_calibration(const device::BoardCircuitParams& circuit, std::uint32_t serial_number,
                                                 std::uint32_t day);

}  // namespace dawnrig::rig
