#include "harness/rig/bench_output.h"

#include <algorithm>
#include <utility>

namespace dawnrig::rig {

namespace {
constexpr std::size_t kLongestSerialChunk = 15;  // what fits a string without the heap
constexpr std::uint64_t kNoiseStream = 0x6E6F'6973'652D'6F75ULL;
}  // namespace

BenchOutput::BenchOutput(const link::Calibration& calibration, Feedback feedback, bool upside_down, std::uint64_t seed)
    : calibration_{calibration}, feedback_{feedback}, upside_down_{upside_down}, noise_{seed ^ kNoiseStream} {}

bool BenchOutput::queue_serial(const std::string& text) {
  if (serial_count_ == kTexts) return false;
  if (!text.empty()) serial_[(serial_first_ + serial_count_++) % kTexts] = &text;
  return true;
}

std::array<link::LevelCodes, link::kChannels> BenchOutput::codes(const ChannelLevels& levels,
                                                                 const GatePattern& pattern) {
  std::array<link::LevelCodes, link::kChannels> result{};
  const double duty_frac = pattern.duty_frac();
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    double on_v = levels.on_v[c];
    double off_v = levels.off_v[c];
    if (feedback_ == Feedback::kAverage) {
      on_v = off_v = duty_frac * on_v + (1.0 - duty_frac) * off_v;
    }
    const double disturbance_v = noise_v_[c] > 0.0 ? noise_v_[c] * noise_.next() : 0.0;
    on_v = on_v / (1.0 + reference_error_frac_) + disturbance_v;
    off_v = off_v / (1.0 + reference_error_frac_) + disturbance_v;
    if (upside_down_) std::swap(on_v, off_v);
    result[c] = {output_code(calibration_.output[2 * c + 1], on_v), output_code(calibration_.output[2 * c], off_v)};
  }
  return result;
}

void BenchOutput::take_serial(link::Tick& tick) {
  if (serial_count_ == 0) return;
  const std::string& text = *serial_[serial_first_];
  const std::size_t size = std::min(kLongestSerialChunk, text.size() - serial_at_);
  std::copy_n(text.begin() + static_cast<std::ptrdiff_t>(serial_at_), size, tick.device_serial.bytes.begin());
  tick.device_serial.size = size;
  serial_at_ += size;
  if (serial_at_ == text.size()) {
    serial_first_ = (serial_first_ + 1) % kTexts;
    --serial_count_;
    serial_at_ = 0;
  }
}

}  // namespace dawnrig::rig
