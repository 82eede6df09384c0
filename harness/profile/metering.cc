// What metering needs of a board: tolerances of parts, references of the converter, and where the firmware says what it
// reads.
#include <google/protobuf/descriptor.h>
#include <google/protobuf/message.h>

#include <cmath>
#include <regex>

#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/board.pb.h"
#include "proto/parameter.pb.h"

namespace dawnrig::profile {
namespace {

Part part_of(const std::string& field, const proto::Parameter& written) {
  return {.field = field,
          .value = written.value(),
          .tolerance = written.has_tolerance_frac() ? written.tolerance_frac() * std::fabs(written.value())
                                                    : written.tolerance_abs(),
          .tempco_per_k = written.tempco_per_k(),
          .drift_per_k = written.drift_per_k(),
          .source = written.source()};
}

/// Every parameter that is written directly in `message`, in the schema's order.
void add_parts(const google::protobuf::Message& message, std::vector<Part>& parts) {
  using google::protobuf::FieldDescriptor;
  const google::protobuf::Descriptor& kind = *message.GetDescriptor();
  for (int i = 0; i < kind.field_count(); ++i) {
    const FieldDescriptor& field = *kind.field(i);
    if (field.is_repeated() || field.cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
    if (!message.GetReflection()->HasField(message, &field)) continue;
    if (field.message_type() != proto::Parameter::descriptor()) continue;
    // Only for messages of the generated pool, which is where every schema of this project lives.
    parts.push_back(part_of(
        field.name(), static_cast<const proto::Parameter&>(message.GetReflection()->GetMessage(message, &field))));
  }
}

bool is_one_group(const std::string& pattern) {
  try {
    return std::regex(pattern).mark_count() == 1;
  } catch (const std::regex_error&) {
    return false;
  }
}

void judge_reference(const proto::BoardProfile& written, std::size_t index, const BoardProfile& board, Judge& judge) {
  const std::string field = sense_path(index) + ".reference";
  if (!judge.trusts(field)) return;
  if (board.sense[index].reference == AdcReference::kArefPin && !written.mcu().has_aref_v()) {
    judge.complain(field, "is AREF_PIN, but mcu.aref_v is not written");
  }
}

}  // namespace

std::vector<Part> parts_of(const proto::SenseChannel& written) {
  std::vector<Part> parts;
  if (written.has_divider()) add_parts(written.divider(), parts);
  if (written.has_offset_divider()) add_parts(written.offset_divider(), parts);
  if (written.has_thermistor()) {
    add_parts(written.thermistor(), parts);
    add_parts(written.thermistor().steinhart_hart(), parts);
  }
  if (written.has_shunt_amplifier()) add_parts(written.shunt_amplifier(), parts);
  add_parts(written, parts);
  return parts;
}

std::vector<Part> parts_of(const proto::Microcontroller& written) {
  std::vector<Part> parts;
  add_parts(written, parts);
  add_parts(written.adc(), parts);
  return parts;
}

AdcReference reference_of(const proto::SenseChannel& written) {
  switch (written.reference()) {
    case proto::AREF_PIN:
      return AdcReference::kArefPin;
    case proto::BAND_GAP:
      return AdcReference::kBandGap;
    case proto::BAND_GAP_2:
      return AdcReference::kBandGap2;
    default:
      return AdcReference::kSupply;
  }
}

std::vector<Reading> readings_of(const proto::Hooks& written) {
  std::vector<Reading> readings;
  for (const proto::Reading& one : written.reading()) {
    readings.push_back({.channel = one.channel(),
                        .pattern = one.pattern(),
                        .symbol = one.symbol(),
                        .scale = one.scale(),
                        .width_bytes = one.width_bytes() > 0 ? one.width_bytes() : 2,
                        .offset_bytes = one.offset_bytes(),
                        .is_signed = one.is_signed(),
                        .settle_s = value(one.has_settle_s(), one.settle_s()).value_or(0.2)});
  }
  return readings;
}

void judge_metering(const proto::BoardProfile& written, const BoardProfile& board, Judge& judge) {
  for (std::size_t i = 0; i < board.sense.size(); ++i) judge_reference(written, i, board, judge);
  std::vector<std::string> names;
  for (const SenseChannel& channel : board.sense) names.push_back(channel.name);
  for (std::size_t i = 0; i < board.hooks.readings.size(); ++i) {
    const Reading& reading = board.hooks.readings[i];
    const std::string path = "hooks.reading[" + std::to_string(i) + "]";
    if (judge.trusts(path + ".channel") && !board.channel_index(reading.channel)) {
      judge.complain(path + ".channel", "is \"" + reading.channel + "\", no sense channel of this board" +
                                            base::did_you_mean(reading.channel, names));
    }
    if (judge.trusts(path + ".pattern") && !is_one_group(reading.pattern)) {
      judge.complain(path + ".pattern",
                     "is \"" + reading.pattern +
                         "\", must be a regular expression with one group for the number, as in \"batt_mv=([0-9]+)\"");
    }
    if (judge.trusts(path + ".symbol") && judge.knows_absent(path + ".width_bytes")) {
      judge.complain(path + ".width_bytes", "is missing: a variable has a width");
    }
    if (judge.trusts(path + ".scale") && reading.scale == 0) {
      judge.complain(path + ".scale", "is 0, must be what one count is worth: 0.001 for millivolts");
    }
  }
  for (std::size_t i = 0; i < board.hooks.life_counters.size(); ++i) {
    const std::string field = "hooks.life_counter[" + std::to_string(i) + "].pattern";
    const std::string& pattern = board.hooks.life_counters[i].pattern;
    if (judge.trusts(field) && !is_one_group(pattern)) {
      judge.complain(field,
                     "is \"" + pattern +
                         "\", must be a regular expression with one group for the number, as in \"days=([0-9]+)\"");
    }
  }
}

}  // namespace dawnrig::profile
