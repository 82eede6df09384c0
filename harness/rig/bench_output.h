// What leaves for the board with each tick: converter codes, and bytes for the device's serial line.
// Room: harness/rig. May use harness/device, harness/link, harness/scenario.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

#include "harness/device/noise_source.h"
#include "harness/link/message.h"
#include "harness/rig/bench_channels.h"
#include "harness/rig/bench_gate.h"

namespace dawnrig::rig {

enum class Feedback : std::uint8_t {
  kTwoLevels,  ///< a level for each position of the gate; the device's own gate picks
  kAverage,    ///< one level, the mean over a cycle: what a bench without such switches can do
};

/// After its construction nothing allocates.
class BenchOutput {
 public:
  /// `upside_down`: the stage charges while its switch does not conduct, and the board calls "on" what charges.
  BenchOutput(const link::Calibration& calibration, Feedback feedback, bool upside_down, std::uint64_t seed);

  /// A converter whose reference is off by `frac` reads everything the other way by as much.
  void set_reference_error_frac(double frac) { reference_error_frac_ = frac; }
  /// Normal, drawn anew for each tick: white as far as the levels change.
  void set_noise_v(std::size_t channel, double rms_v) { noise_v_[channel] = rms_v; }
  /// False: too many texts wait already. `text` must stay good until it is sent.
  [[nodiscard]] bool queue_serial(const std::string& text);

  [[nodiscard]] std::array<link::LevelCodes, link::kChannels> codes(const ChannelLevels& levels,
                                                                    const GatePattern& pattern);
  void take_serial(link::Tick& tick);

 private:
  static constexpr std::size_t kTexts = 64;
  link::Calibration calibration_;
  Feedback feedback_;
  bool upside_down_;
  device::NoiseSource noise_;
  std::array<double, link::kChannels> noise_v_{};
  double reference_error_frac_{0};
  std::array<const std::string*, kTexts> serial_{};
  std::size_t serial_first_{0}, serial_count_{0}, serial_at_{0};
};

}  // namespace dawnrig::rig
