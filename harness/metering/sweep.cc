#include "harness/metering/sweep.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <exception>
#include <memory>
#include <regex>
#include <span>
#include <thread>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/device/virtual_device.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

using device::Cycle;

constexpr int kBits = 10;

struct SerialLine {
  Cycle began{};
  std::string text;
};

/// Constant pins, and the last whole line of the serial port.
class Bench : public device::Surroundings {
 public:
  void on_pin(Cycle /*at*/, device::Pin /*pin*/, device::Drive /*drive*/) override {}
  double adc_pin_v(Cycle /*at*/, int channel) override {
    return static_cast<std::size_t>(channel) < pins_v.size() ? pins_v[static_cast<std::size_t>(channel)] : 0;
  }
  void on_serial_byte(Cycle at, std::uint8_t byte) override {
    if (byte == '\n' || byte == '\r') {
      if (!growing_.text.empty()) lines.push_back(std::move(growing_));
      growing_ = {};
      return;
    }
    if (growing_.text.empty()) growing_.began = at;
    constexpr std::size_t kLongest = 4096;
    if (growing_.text.size() < kLongest) growing_.text += static_cast<char>(byte);
  }
  void on_reset(Cycle /*at*/, device::ResetCause /*cause*/) override { growing_ = {}; }
  std::vector<double> pins_v;
  std::vector<SerialLine> lines;

 private:
  SerialLine growing_;
};

double rest_of(const profile::BoardProfile& board, const profile::SenseChannel& channel) {
  switch (channel.quantity) {
    case profile::Quantity::kBatteryVoltage:
      return board.declared.nominal_v * 1.05;
    case profile::Quantity::kPanelVoltage:
      return board.declared.absorption_v * 1.25;
    case profile::Quantity::kBatteryTemperature:
    case profile::Quantity::kHeatSinkTemperature:
      return kRoomDegc;
    default:
      return 0;
  }
}

/// The firmware on its board, asked for one reading after another.
class Patient {
 public:
  Patient(const profile::BoardProfile& board, const device::Image& image, const profile::Reading& reading,
          const SweepOptions& options)
      : reading_{reading}, patience_s_{options.patience_s}, hz_{static_cast<double>(board.device.clock_hz)} {
    bench_.pins_v.assign(16, 0);
    for (const profile::SenseChannel& channel : board.sense) {
      const Chain chain = chain_of(board, channel, kBits);
      bench_.pins_v[static_cast<std::size_t>(channel.adc_channel)] = pin_v(chain, rest_of(board, channel), kRoomDegc);
    }
    device::DeviceParams params = board.device;
    params.adc = {};  // what is proved is the arithmetic, not the converter
    params.watched.clear();
    device_ = std::make_unique<device::VirtualDevice>(params, image, bench_);
    if (board.eeprom) device_->set_eeprom(*board.eeprom);
    if (!reading.pattern.empty()) {
      pattern_ = std::regex(reading.pattern);
    } else {
      address_ = device_->address_of(reading.symbol);
      if (!address_) {
        throw base::BadInput(image.file, "has no variable '" + reading.symbol +
                                             "', which hooks.reading of the board profile names: is it an .elf, and "
                                             "was the variable kept?");
      }
      go(cycles(params.startup_delay_s + board.declared.startup_s));  // before, its memory holds nothing of its own
    }
  }

  void put(int channel, double pin_v) {
    bench_.pins_v[static_cast<std::size_t>(channel)] = pin_v;
    since_ = device_->now();
    bench_.lines.clear();
  }

  /// What the firmware believes, once what is at the pin has come through.
  std::optional<double> read() {
    const Cycle settled = since_ + cycles(reading_.settle_s);
    if (address_) {
      go(settled);
      return variable();
    }
    const Cycle end = settled + cycles(patience_s_);
    while (device_->now() < end) {
      go(std::min(end, device_->now() + cycles(0.002)));
      for (const SerialLine& line : bench_.lines) {
        last_line_ = line.text;
        if (line.began < settled) continue;
        if (const auto value = number_in(line.text)) return value;
      }
      bench_.lines.clear();
    }
    return std::nullopt;
  }

  [[nodiscard]] double now_s() const { return static_cast<double>(device_->now()) / hz_; }
  [[nodiscard]] const std::string& last_line() const { return last_line_; }

 private:
  [[nodiscard]] Cycle cycles(double s) const { return std::llround(s * hz_); }

  void go(Cycle until) {
    if (device_->run_until(until) == device::RunStatus::kCrashed) {
      throw base::RunFault("the firmware crashes: " + device_->crash_reason());
    }
  }

  [[nodiscard]] std::optional<double> number_in(const std::string& line) const {
    std::smatch found;
    if (!std::regex_search(line, found, pattern_) || !found[1].matched) return std::nullopt;
    const std::string text = found[1].str();
    double value = 0;
    const char* begin = text.data() + (text.starts_with('+') ? 1 : 0);
    const auto [end, error] = std::from_chars(begin, text.data() + text.size(), value);
    if (error != std::errc{} || end == begin) return std::nullopt;
    return value * reading_.scale;
  }

  [[nodiscard]] double variable() const {
    std::uint64_t word = 0;
    const auto width = static_cast<std::uint32_t>(reading_.width_bytes);
    for (std::uint32_t i = 0; i < width; ++i) {
      word |= std::uint64_t{device_->peek(*address_ + static_cast<std::uint32_t>(reading_.offset_bytes) + i)}
              << (8 * i);
    }
    auto value = static_cast<std::int64_t>(word);
    if (reading_.is_signed && (word >> (8 * width - 1)) != 0) value -= std::int64_t{1} << (8 * width);
    return static_cast<double>(value) * reading_.scale;
  }

  const profile::Reading& reading_;
  double patience_s_;
  double hz_;
  Bench bench_;
  std::unique_ptr<device::VirtualDevice> device_;
  std::regex pattern_;
  std::optional<std::uint32_t> address_;
  Cycle since_{0};
  std::string last_line_;
};

/// Every code of a quarter, on a device of its own.
void try_all(Patient& patient, std::span<Tried> quarter, int adc_channel, const profile::Reading& reading,
             const device::Image& image) {
  constexpr std::size_t kEnoughSilence = 3;
  for (std::size_t i = 0; i < quarter.size(); ++i) {
    patient.put(adc_channel, quarter[i].pin_v);
    quarter[i].reading = patient.read();
    const bool ever = std::any_of(quarter.begin(), quarter.begin() + static_cast<std::ptrdiff_t>(i) + 1,
                                  [](const Tried& one) { return one.reading.has_value(); });
    if (ever || i + 1 < std::min(kEnoughSilence, quarter.size())) continue;
    throw base::BadInput(image.file, patient.last_line().empty()
                                         ? "sends no line over the serial port within " +
                                               base::number_text(patient.now_s(), 0) +
                                               " s: is it built for this board's clock, and does it start on it?"
                                         : "sends no line that pattern \"" + reading.pattern +
                                               "\" finds; its last one was \"" + patient.last_line() + "\"");
  }
}

/// Four devices, always four so that the result is the same everywhere, on as many processors as there are. Gives the
/// time that passed on all of them; throws what the first of them threw.
template <class Work>
double in_quarters(std::vector<Tried>& tried, Work work) {
  constexpr std::size_t kQuarters = 4;
  std::array<std::exception_ptr, kQuarters> faults{};
  std::array<double, kQuarters> passed_s{};
  {
    std::vector<std::jthread> threads;
    for (std::size_t q = 0; q < kQuarters; ++q) {
      const std::size_t begin = q * tried.size() / kQuarters;
      const std::size_t end = (q + 1) * tried.size() / kQuarters;
      threads.emplace_back([&, q, begin, end] {
        try {
          passed_s[q] = work(std::span{tried}.subspan(begin, end - begin));
        } catch (...) {
          faults[q] = std::current_exception();
        }
      });
    }
  }
  double sum_s = 0;
  for (std::size_t q = 0; q < kQuarters; ++q) {
    if (faults[q]) std::rethrow_exception(faults[q]);
    sum_s += passed_s[q];
  }
  return sum_s;
}

const profile::Reading& reading_of(const profile::BoardProfile& board, const std::string& channel) {
  for (const profile::Reading& reading : board.hooks.readings) {
    if (reading.channel == channel) return reading;
  }
  throw base::BadInput(board.file, "hooks.reading says nothing of channel '" + channel +
                                       "', must say where the firmware tells its reading: reading {channel: \"" +
                                       channel +
                                       "\" pattern: \"volts=([0-9.]+)\" scale: 1}, or a symbol with its width_bytes");
}

}  // namespace

double Tried::error() const {
  return reading ? *reading - ideal : std::nan("");
}

std::optional<int> Sweep::first_bad_code() const {
  if (findings.empty()) return std::nullopt;
  return findings.front().first_code;
}

Sweep sweep(const profile::BoardProfile& board, const device::Image& image, const SweepOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  demand("every", options.every, 1, 256);
  demand("limit-frac", options.limit_frac, 1e-6, 1);
  demand("limit-k", options.limit_k, 1e-3, 100);
  demand("patience-s", options.patience_s, 0.01, 600);
  const profile::Reading& reading = reading_of(board, channel.name);
  Chain chain = chain_of(board, channel, kBits);
  chain.adc = {};
  Sweep result;
  const int last = static_cast<int>(chain.codes()) - 1;
  for (int code = 0; code <= last; code = code == last ? last + 1 : std::min(code + options.every, last)) {
    result.tried.push_back(
        {code, (code + 0.5) / chain.codes() * chain.reference_v(), sensed_at(chain, code + 0.5, kRoomDegc), {}});
  }
  result.simulated_s = in_quarters(result.tried, [&](std::span<Tried> quarter) {
    Patient patient(board, image, reading, options);
    try_all(patient, quarter, channel.adc_channel, reading, image);
    return patient.now_s();
  });
  judge(result, board, channel, std::fabs(reading.scale), options);
  return result;
}

}  // namespace dawnrig::metering
