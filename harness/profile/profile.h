// Board, site and requirement files turned into checked structs. What comes out of here can be built.
// Room: harness/profile. May use plant, harness/base, harness/device; reads proto in .cc files.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "harness/base/energy_level.h"
#include "harness/device/virtual_device.h"
#include "plant/circuit.h"

namespace dawnrig::profile {

enum class Polarity : std::uint8_t { kActiveHigh, kActiveLow };
enum class Pull : std::uint8_t { kDown, kUp };

/// A pin of the device that drives a switch, and what the board does to it when nobody drives it.
struct SwitchPin {
  device::Pin pin;
  Polarity polarity{Polarity::kActiveHigh};
  Pull pull{Pull::kDown};
};

enum class Quantity : std::uint8_t {
  kBatteryVoltage,
  kPanelVoltage,
  kBatteryTemperature,
  kHeatSinkTemperature,
  kChargeCurrent,
  kLoadCurrent,
  kBatteryCurrent
};
[[nodiscard]] inline bool is_current(Quantity quantity) {
  return quantity >= Quantity::kChargeCurrent;
}
[[nodiscard]] inline bool is_temperature(Quantity quantity) {
  return quantity == Quantity::kBatteryTemperature || quantity == Quantity::kHeatSinkTemperature;
}

/// One figure of the board with what its maker promises of it, in the unit that ends its name.
struct Part {
  std::string field;  ///< as the file names it: "r_top_ohm"
  double value{};
  double tolerance{};     ///< half-width at 25 degC, absolute; 0: none promised
  double tempco_per_k{};  ///< relative
  double drift_per_k{};   ///< half-width of that
  std::string source;
};

enum class AdcReference : std::uint8_t { kSupply, kArefPin, kBandGap, kBandGap2 };

struct SenseChannel {
  std::string name;
  Quantity quantity{};
  int adc_channel{0};
  plant::SenseParams network;
  std::vector<Part> parts;  ///< of the network, with the pin's leakage
  AdcReference reference{};
  int averaged_codes{1};
};

/// The declared behaviour; nullopt: not declared, not judged.
struct Declared {
  double nominal_v{12};
  double absorption_v{};
  std::optional<double> float_v, absorption_time_s, compensation_v_per_k, compensation_lowest_degc,
      compensation_highest_degc, sensor_fault_v;
  double over_voltage_v{};
  std::optional<double> over_voltage_delay_s, load_disconnect_v, load_disconnect_delay_s, load_reconnect_v,
      load_reconnect_delay_s, sense_fault_delay_s, stuck_sense_delay_s, night_delay_s, watchdog_s, rated_charge_a,
      rated_load_a, rebulk_v, rebulk_delay_s, absorption_longest_s, equalise_v, equalise_longest_s, charge_coldest_degc,
      charge_hottest_degc, regulation_hysteresis_v, load_compensation_ohm, load_holdoff_s, load_high_v,
      load_high_delay_s, load_overload_a, load_overload_delay_s, load_short_a, load_short_delay_s, load_tries_over_s,
      lighting_delay_s, flag_delay_s, heat_sink_derate_degc, heat_sink_hottest_degc;
  double charge_resume_k{5};
  double heat_sink_resume_k{10};
  int load_tries{0};
  double settle_s{30};
  double startup_s{5};
  std::string regulation;
  /// The absorption set point at a battery temperature, by the declared slope and window.
  [[nodiscard]] double absorption_v_at(double battery_degc) const;
};

struct Counter {
  std::variant<std::string, std::uint32_t> place;
  int width_bytes{4};
};

/// Where the firmware says what it believes a channel to be.
struct Reading {
  std::string channel;
  std::string pattern, symbol;  ///< one of them is empty
  double scale{1};              ///< the channel's unit per count
  int width_bytes{2};
  int offset_bytes{0};
  bool is_signed{false};
  double settle_s{0.2};
};

/// What an instruction on the serial line is for.
enum class Purpose : std::uint8_t {
  kEqualise,
  kLighting,
  kSealedBattery,
  kFloodedBattery,
  kBadSetting,
  kFlood,
  kTimeLapse,
  kLoadAgain,
};

struct Instruction {
  Purpose purpose{};
  std::string text;
};

/// Contents of the settings memory that a test starts the device with.
struct SettingsImage {
  std::string name;
  std::vector<std::uint8_t> bytes;
  double absorption_v{};  ///< that the device must hold with it
  bool counters_almost_full{false};
};

enum class LifeEvent : std::uint8_t { kDay, kDayWithoutEqualising, kLoadDisconnect, kLoadOverload };

/// What the firmware counts over its life, and says in a line that fits `pattern`.
struct LifeCounter {
  LifeEvent event{};
  std::string pattern;
  double highest{};  ///< it stops there
};

/// What the device does after the instructions that make its days short.
struct TimeLapse {
  double factor{};  ///< a day, and each timer of an hour or more, is so many times shorter
  double absorption_time_s{};
  int equalise_days{0};  ///< after so many equalisation falls due; 0: by no count
};

struct Hooks {
  std::optional<Counter> millisecond_counter;
  std::int64_t serial_baud{9600};
  std::vector<Reading> readings;
  std::vector<Instruction> instructions;
  std::vector<SettingsImage> settings_images;
  std::optional<Counter> dark_counter;  ///< milliseconds that the panel has been dark
  std::vector<LifeCounter> life_counters;
  std::optional<TimeLapse> time_lapse;
  /// The texts of all instructions of a purpose, in the order of the file.
  [[nodiscard]] std::vector<std::string> texts_for(Purpose purpose) const;
  [[nodiscard]] const LifeCounter* counter_of(LifeEvent event) const;  ///< nullptr: the firmware says nothing of it
};

struct BoardProfile {
  std::string file, sha256;
  std::string name, revision;
  device::DeviceParams device;  ///< `watched` holds the gate and load pins; `seed` is the run's business
  std::optional<std::vector<std::uint8_t>> eeprom;  ///< contents of `eeprom_image`
  SwitchPin gate;
  std::optional<SwitchPin> load_output;
  std::optional<SwitchPin> fault_output;
  double load_switch_ohm{0.01};
  plant::StageParams stage;
  plant::AdcInputParams adc_input;
  std::vector<Part> converter;      ///< references and converter errors, as far as written
  std::vector<SenseChannel> sense;  ///< order is that of plant::Probes::sense_v
  Declared declared;
  Hooks hooks;
  base::EnergyLevel highest_level{base::EnergyLevel::kSenseOnly};  ///< that it may be run at on a bench
  /// Whether the gate charges by conducting; a shunt stage charges while its switch does not.
  [[nodiscard]] bool charges_while_on() const { return !std::holds_alternative<plant::ShuntPwmParams>(stage.topology); }
  [[nodiscard]] const SenseChannel* channel_for(Quantity quantity) const;
  [[nodiscard]] std::optional<std::size_t> channel_index(std::string_view name) const;
  /// What the converter measures that channel against.
  [[nodiscard]] double reference_v(const SenseChannel& channel) const;
};

struct SiteLoad {
  std::string name;
  plant::LoadParams params;
  bool on_at_start{false};
};

struct SiteProfile {
  std::string file, sha256;
  std::string name;
  plant::PanelParams panel;                 ///< the whole of it, in full light
  std::optional<plant::ArrayParams> array;  ///< where it was given by its modules' data sheet
  plant::BatteryParams battery;
  double panel_cable_ohm{}, battery_cable_ohm{};
  double cable_per_k{0};
  std::optional<plant::FuseParams> battery_fuse, panel_fuse;
  std::vector<SiteLoad> loads;
  double ambient_degc{25};
  base::EnergyLevel highest_level{base::EnergyLevel::kSenseOnly};
};

enum class Confidence : std::uint8_t { kStandard, kMaker, kTrade, kProposed };
[[nodiscard]] std::string_view text_of(Confidence confidence);

struct Requirement {
  std::string id, sentence;
  std::optional<double> lowest, highest;  ///< as written, in `unit`
  std::string unit;
  double tolerance{};
  bool per_12v{false};
  std::string source;
  Confidence confidence{Confidence::kProposed};
  std::string file;  ///< that it stands in
  int line{0};
};

struct RequirementSet {
  std::string file, sha256;
  std::string name;
  std::vector<Requirement> requirements;
  [[nodiscard]] const Requirement* find(std::string_view id) const;
};

// Each throws base::BadInput with every problem of the file at once.
[[nodiscard]] BoardProfile load_board(const std::filesystem::path& file);
[[nodiscard]] SiteProfile load_site(const std::filesystem::path& file);
/// With everything that the file builds upon; a requirement of the file replaces that of the same id. The hash is over
/// all of the files. Levels must lie in the order that any charge controller needs: see levels.cc.
[[nodiscard]] RequirementSet load_requirements(const std::filesystem::path& file);

/// Combinations that cannot work together (nominal voltage against the number of cells, a panel that cannot reach the
/// absorption voltage, a bus rating below the panel's open-circuit voltage). Throws base::BadInput.
void check_together(const BoardProfile& board, const SiteProfile& site);

/// Throws base::BadInput unless the site's panel has a sub-string of that number, counted from 0.
void demand_substring(const SiteProfile& site, int substring);

/// The circuit of this board in this site.
[[nodiscard]] plant::CircuitParams circuit_of(const BoardProfile& board, const SiteProfile& site);

}  // namespace dawnrig::profile
