// What the loaders of this room share: parameters out of schemas, and complaints about fields that can be trusted.
// Room: harness/profile, private to it. May use plant and harness/base; reads proto in .cc files.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/textproto.h"
#include "plant/battery/battery.h"
#include "plant/core/problems.h"
#include "plant/load/load.h"
#include "plant/sense/network.h"
#include "plant/stage/stage.h"

namespace dawnrig::proto {
class BoardProfile;
class Hooks;
class Microcontroller;
class Parameter;
class PowerStage;
class SenseChannel;
class Battery;
class Load;
class SiteProfile;
}  // namespace dawnrig::proto

namespace dawnrig::profile {

enum class Quantity : std::uint8_t;
enum class AdcReference : std::uint8_t;
struct Part;
struct Reading;

/// The number of a parameter; nullopt if it was not written.
[[nodiscard]] std::optional<double> value(bool has, const proto::Parameter& parameter);

/// A file while it is judged beyond its schema. A field that is missing, or was complained about already, is not judged
/// again: what is in its place is not what its writer meant.
class Judge {
 public:
  explicit Judge(base::FileComplaints& complaints) : complaints_(complaints), clean_(complaints.empty()) {}

  /// Written, and nothing was wrong with it so far.
  [[nodiscard]] bool trusts(std::string_view field) const;
  /// Not written, in a file whose every name is known.
  [[nodiscard]] bool knows_absent(std::string_view field) const { return clean_ && !complaints_.locations.has(field); }
  void complain(const std::string& field, std::string message) { complaints_.add(field, std::move(message)); }
  /// Complaints of a model about its parameters. `prefix`: where these stand in the file, "sense[1]".
  void pass_on(const plant::Problems& problems, const std::string& prefix);

 private:
  base::FileComplaints& complaints_;
  bool clean_;  // nothing was wrong with the file when it was read
};

/// What no single field of a board can show: pins, sense networks, the order of the declared voltages.
struct BoardProfile;
[[nodiscard]] Quantity quantity_of(const proto::SenseChannel& written);
/// A channel's network, as it is written.
[[nodiscard]] plant::SenseParams network_params(const proto::SenseChannel& written);
void judge_networks(const proto::BoardProfile& written, Judge& judge);
/// Tolerances, the converter's references, and where the firmware says what it reads.
[[nodiscard]] std::vector<Part> parts_of(const proto::SenseChannel& written);
[[nodiscard]] std::vector<Part> parts_of(const proto::Microcontroller& written);
[[nodiscard]] AdcReference reference_of(const proto::SenseChannel& written);
[[nodiscard]] std::vector<Reading> readings_of(const proto::Hooks& written);
void judge_metering(const proto::BoardProfile& written, const BoardProfile& board, Judge& judge);
/// The stage as written, and what is wrong with it.
[[nodiscard]] plant::StageParams stage_params(const proto::PowerStage& written);
void judge_stage(const proto::PowerStage& written, const plant::StageParams& stage, Judge& judge);
void judge_pins(const proto::BoardProfile& written, const BoardProfile& board, Judge& judge);
void judge_sense(const BoardProfile& board, Judge& judge);
void judge_declared(const BoardProfile& board, Judge& judge);

struct RequirementSet;
/// Throws base::BadInput if levels do not lie in their order.
void judge_levels(const RequirementSet& set);

/// A load as it is written, but for the rows of a series.
[[nodiscard]] plant::LoadParams load_params(const proto::Load& written);
void judge_loads(const proto::SiteProfile& written, Judge& judge);
struct SiteProfile;
/// A battery as it is written, with what its kind or chemistry usually has where it is not.
[[nodiscard]] plant::BatteryParams battery_params(const proto::Battery& written);
void judge_battery(const proto::Battery& written, const SiteProfile& site, Judge& judge);
/// Reads the files that loads of the site name, and makes them part of its hash. What is wrong inside one of them comes
/// back, at its own lines.
[[nodiscard]] std::vector<base::Complaint> read_load_series_files(const proto::SiteProfile& written, SiteProfile& site,
                                                                  Judge& judge);
/// "load[1]"
[[nodiscard]] std::string load_path(std::size_t index);

/// "sense[1]"
[[nodiscard]] std::string sense_path(std::size_t index);
/// The name of a network's field: "divider", "offset_divider", "thermistor" or "shunt_amplifier".
[[nodiscard]] std::string network_path(const BoardProfile& board, std::size_t index);

}  // namespace dawnrig::profile
