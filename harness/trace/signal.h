// The signals of a run, as judged and recorded: the plant's truth and the pins of the device.
// Room: harness/trace. May use plant/core and harness/base only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "plant/core/time.h"

namespace dawnrig::trace {

/// Order is the column order of traces and exports; append only.
enum class Signal : std::uint8_t {
  kTerminalV,  ///< battery's own terminals
  kBusV,       ///< battery terminals of the board
  kBatteryA,   ///< > 0 charges
  kPanelV,
  kPanelA,
  kLoadV,  ///< behind the load switch
  kLoadA,
  kGate,  ///< 1 while the stage is commanded to charge (a shunt stage: not to short); its mean over a cycle is the duty
  kLoadSwitch,  ///< 1 while the load output is commanded on
  kPoaWpm2,
  kBatteryDegc,
  kCellDegc,
  kSocFrac,
  kGassingA,
  kSense0V,
  kSense1V,
  kSense2V,
  kSense3V,  ///< at the ADC pins, in the order of the board profile
  kFault,    ///< 1 while the fault output tells of a fault
  kHeatSinkDegc,
  kCount
};

inline constexpr std::size_t kSignalCount = static_cast<std::size_t>(Signal::kCount);

[[nodiscard]] std::string_view name_of(Signal signal);  ///< "terminal_v"
[[nodiscard]] std::string_view unit_of(Signal signal);  ///< "V", "A", "W/m2", "degC", "1"
[[nodiscard]] bool is_switch(Signal signal);            ///< on/off signals
[[nodiscard]] std::optional<Signal> signal_named(std::string_view name);

/// All signals at one instant. Samples come in order of time; between two of them signals run straight, and a jump is
/// two samples at one time. (kGate and kLoadSwitch hold their value until the next sample.)
struct Sample {
  Nanos time{0};
  std::array<double, kSignalCount> value{};
  [[nodiscard]] double operator[](Signal s) const { return value[static_cast<std::size_t>(s)]; }
  double& operator[](Signal s) { return value[static_cast<std::size_t>(s)]; }
};

enum class EventKind : std::uint8_t { kStimulus, kReset, kSerialOut, kSerialIn, kLoadSwitch, kDeviceFault, kMark };

struct Event {
  Nanos time{0};
  EventKind kind{EventKind::kMark};
  std::string text;
};

class Stretch;

/// Whoever wants to see a run while it happens: recorders, monitors, evidence collectors. on_sample() and on_stretch()
/// are the hot path: they neither allocate nor log.
class Sink {
 public:
  virtual ~Sink() = default;
  virtual void on_sample(const Sample& sample) = 0;
  /// In place of on_sample() for all of its samples, which is what it does unless a sink knows better. A sink that does
  /// must come to the same, but for the rounding of means.
  virtual void on_stretch(const Stretch& stretch);
  virtual void on_event(const Event& event) { static_cast<void>(event); }
};

}  // namespace dawnrig::trace
