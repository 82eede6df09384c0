// Scripted changes to the world around the device, as plain values. Times count from power-up.
// Room: harness/scenario. May use plant, harness/base and harness/device; reads proto in .cc files.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "harness/base/energy_level.h"
#include "plant/circuit.h"
#include "plant/core/time.h"
#include "plant/sky/sky.h"

namespace dawnrig::scenario {

struct Sun {
  double poa_wpm2{};
  Nanos over{0};
};  ///< ramps from the present value; over = 0 is a step
struct Sky {
  std::shared_ptr<const plant::SkyParams> params;  ///< checked; never null
};                                                 ///< takes the sun over, until the next Sun or Sky
struct Shade {
  struct Part {
    int substring{};
    double light_frac{1};
  };
  std::vector<Part> parts;
};  ///< the sub-strings that are not named get full light
struct PanelFault {
  plant::PanelFaultKind kind{plant::PanelFaultKind::kNone};
};
struct Wind {
  double speed_m_per_s{1};
};
struct AmbientTemperature {
  double degc{25};
};
struct BatteryTemperature {
  double degc{25};
};  ///< holds the battery there
struct HeatSinkTemperature {
  double degc{25};
  bool held{true};
};  ///< holds the stage's heat sink there, or lets its losses warm it again from where it is
struct LoadSwitching {
  std::string name;
  bool on{};
  double scale{1};
};
struct BatteryConnector {
  bool closed{true};
};
struct PanelConnector {
  bool closed{true};
};
struct SenseFault {
  std::string channel;
  plant::SenseFaultKind kind{plant::SenseFaultKind::kNone};
};
struct BatteryResistance {
  double factor{1};
};
struct BatteryCable {
  double factor{1};
};
struct PanelCable {
  double factor{1};
};
enum class Connector : std::uint8_t { kBattery, kPanel };
/// Contact resistance beside the cable's own; 0 is as new.
struct Corrosion {
  Connector connector{};
  double contact_ohm{};
};
/// A connector that opens and closes at drawn instants until it ends as `closed` says.
struct Bounce {
  Connector connector{};
  bool closed{true};
  int closures{1};
  Nanos over{0};
  std::uint64_t seed{0};
};
struct Supply {
  double supply_v{5};
};
struct ReferenceError {
  double error_frac{};
};
struct Noise {
  std::string channel;
  double rms_v{};
};  ///< white, at the ADC pin
struct SerialInput {
  std::string data;
};
struct ResetLine {
  bool held_low{};
};
struct PowerCycle {
  Nanos off{0};
};
struct SwitchFault {
  plant::SwitchFaultKind kind{plant::SwitchFaultKind::kNone};
};

using Change = std::variant<Sun, AmbientTemperature, BatteryTemperature, LoadSwitching, BatteryConnector,
                            PanelConnector, SenseFault, BatteryResistance, BatteryCable, Supply, ReferenceError, Noise,
                            SerialInput, ResetLine, PowerCycle, SwitchFault, PanelCable, Corrosion, Bounce, Sky, Shade,
                            PanelFault, Wind, HeatSinkTemperature>;

/// One line for people and traces: "sun to 800 W/m2 over 5 s".
[[nodiscard]] std::string text_of(const Change& change);

struct Stimulus {
  Nanos time{0};
  Change change;
};

struct Initial {
  double soc_frac{0.8};
  std::optional<double> battery_degc;
  std::optional<double> ambient_degc;
  double poa_wpm2{0};  ///< of a file that does not say: that of a sky which begins at once
};

struct Recording {
  Nanos interval{100'000'000};
  Nanos event_window{20'000'000};
};

enum class FigureKind : std::uint8_t { kMean, kHighest, kLowest, kPeakToPeak };
struct Check {
  std::string requirement;
  std::string signal;
  FigureKind figure{FigureKind::kMean};
  Nanos from{0}, to{0};
  double minus{0};
};

struct Scenario {
  std::string name;
  std::string file;
  /// Of the file's bytes, those of its series joined; of the printed timeline for scenarios made in C++.
  std::string sha256;
  std::vector<std::string> notes;  ///< what was mended in its series, for people
  Nanos duration{0};
  std::uint64_t seed{0};
  Initial initial;
  std::vector<Stimulus> timeline;  ///< in order of time; equal times keep the order of the file
  Recording recording;
  std::vector<Check> checks;
  base::EnergyLevel highest_level{base::EnergyLevel::kSenseOnly};  ///< that it may be run at on a bench
};

/// Throws base::BadInput with every problem: unknown fields, times past the end, unknown signals, windows that are
/// empty.
[[nodiscard]] Scenario load_scenario(const std::filesystem::path& file);

/// A scenario as canonical text: equal texts are equal runs. Every change, time (ns) and figure stands in it, but not
/// the file it came from.
[[nodiscard]] std::string printed(const Scenario& scenario);
/// SHA-256 of printed(): the `sha256` of a scenario made in C++.
[[nodiscard]] std::string fingerprint(const Scenario& scenario);

}  // namespace dawnrig::scenario
