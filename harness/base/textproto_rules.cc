#include <google/protobuf/descriptor.h>
#include <google/protobuf/message.h>

#include <algorithm>

#include "harness/base/text.h"
#include "harness/base/textproto_parts.h"
#include "harness/base/textproto_values.h"
#include "harness/base/units.h"
#include "proto/parameter.pb.h"
#include "proto/rule.pb.h"

namespace dawnrig::base::textproto {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::OneofDescriptor;
using google::protobuf::Reflection;
using proto::Rule;

std::string element(const std::string& path, int index) {
  return path + '[' + std::to_string(index) + ']';
}

// The bound that `value` breaks, in words; "" if none.
std::string broken_bound(double value, const Rule& rule) {
  if (rule.has_above() && !(value > rule.above())) return "above " + number_text(rule.above());
  if (rule.has_at_least() && !(value >= rule.at_least())) return "at least " + number_text(rule.at_least());
  if (rule.has_below() && !(value < rule.below())) return "below " + number_text(rule.below());
  if (rule.has_at_most() && !(value <= rule.at_most())) return "at most " + number_text(rule.at_most());
  return {};
}

std::string all_bounds(const Rule& rule) {
  std::vector<std::string> words;
  if (rule.has_above()) words.push_back("above " + number_text(rule.above()));
  if (rule.has_at_least()) words.push_back("at least " + number_text(rule.at_least()));
  if (rule.has_below()) words.push_back("below " + number_text(rule.below()));
  if (rule.has_at_most()) words.push_back("at most " + number_text(rule.at_most()));
  std::string text;
  for (const std::string& word : words) text += (text.empty() ? ", must be " : " and ") + word;
  return text;
}

std::string missing(const FieldDescriptor& field, const Rule& rule) {
  if (!rule.example().empty()) {
    const bool quoted = field.cpp_type() == FieldDescriptor::CPPTYPE_STRING;
    return "is missing, for example " + (quoted ? '"' + rule.example() + '"' : rule.example());
  }
  if (field.cpp_type() == FieldDescriptor::CPPTYPE_ENUM) return "is missing, must be " + wanted(field);
  return "is missing" + all_bounds(rule);
}

double number_in(const Message& message, const FieldDescriptor& field) {
  const Reflection& access = *message.GetReflection();
  switch (field.cpp_type()) {
    case FieldDescriptor::CPPTYPE_DOUBLE:
      return access.GetDouble(message, &field);
    case FieldDescriptor::CPPTYPE_FLOAT:
      return static_cast<double>(access.GetFloat(message, &field));
    case FieldDescriptor::CPPTYPE_INT32:
      return access.GetInt32(message, &field);
    case FieldDescriptor::CPPTYPE_UINT32:
      return access.GetUInt32(message, &field);
    case FieldDescriptor::CPPTYPE_INT64:
      return static_cast<double>(access.GetInt64(message, &field));
    default:
      return static_cast<double>(access.GetUInt64(message, &field));
  }
}

class RuleCheck {
 public:
  RuleCheck(const Reading& reading, FileComplaints& complaints) : reading_(reading), complaints_(complaints) {}

  void message(const Message& message, const std::string& path) {
    const Descriptor& type = *message.GetDescriptor();
    for (int i = 0; i < type.field_count(); ++i) {
      const FieldDescriptor& field = *type.field(i);
      const Rule& rule = field.options().GetExtension(proto::rule);
      const std::string own = joined_path(path, field.name());
      if (reading_.excused.contains(own)) continue;
      if (field.is_repeated()) {
        repeated(message, field, rule, own);
      } else if (field.cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
        nested(message, field, rule, own);
      } else {
        scalar(message, field, rule, own);
      }
    }
    for (int i = 0; i < type.real_oneof_decl_count(); ++i) choice(message, *type.oneof_decl(i), path);
  }

 private:
  void repeated(const Message& message, const FieldDescriptor& field, const Rule& rule, const std::string& path) {
    const Reflection& access = *message.GetReflection();
    const int count = access.FieldSize(message, &field);
    if (count < rule.min_count() && reading_.complete) {
      complaints_.add(path, count == 0
                                ? "is missing, must be written at least " + times(rule.min_count())
                                : "is written " + times(count) + ", must be at least " + times(rule.min_count()));
    }
    if (rule.max_count() > 0 && count > rule.max_count()) {
      complaints_.add(element(path, rule.max_count()),
                      "is one too many, must be at most " + std::to_string(rule.max_count()));
    }
    if (field.cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) return;
    for (int i = 0; i < count; ++i) {
      if (!reading_.excused.contains(element(path, i))) {
        this->message(access.GetRepeatedMessage(message, &field, i), element(path, i));
      }
    }
  }

  [[nodiscard]] bool needed(const Rule& rule, const std::string& path) const {
    if (rule.required() || rule.required_without().empty()) return rule.required();
    const std::string beside = path.substr(0, path.rfind('.') + 1);
    return std::none_of(rule.required_without().begin(), rule.required_without().end(),
                        [&](const std::string& neighbour) { return complaints_.locations.has(beside + neighbour); });
  }

  void nested(const Message& message, const FieldDescriptor& field, const Rule& rule, const std::string& path) {
    const Reflection& access = *message.GetReflection();
    if (!access.HasField(message, &field)) {
      if (needed(rule, path) && reading_.complete) complaints_.add(path, missing(field, rule));
      return;
    }
    const Message& inside = access.GetMessage(message, &field);
    if (inside.GetDescriptor() == proto::Parameter::descriptor()) {
      // Only for messages of the generated pool, which is where every schema of this project lives.
      parameter(static_cast<const proto::Parameter&>(inside), rule, path);
    } else {
      this->message(inside, path);
    }
  }

  void parameter(const proto::Parameter& parameter, const Rule& rule, const std::string& path) {
    const std::string value_path = path + ".value";
    if (!complaints_.locations.has(value_path)) {
      if (reading_.complete && !reading_.excused.contains(value_path)) {
        complaints_.add(value_path, "is missing" + all_bounds(rule));
      }
    } else if (!reading_.excused.contains(value_path)) {
      bounds(parameter.value(), rule, path);
    }
    if (parameter.has_tolerance_frac() && parameter.has_tolerance_abs()) {
      complaints_.add(path + ".tolerance_abs", "cannot stand beside tolerance_frac: only one of them");
    }
    // `value` was judged above, by the rule of the field that holds the parameter; the rest by its own rules.
    for (const char* name : {"tolerance_frac", "tolerance_abs", "tempco_per_k", "drift_per_k"}) {
      const FieldDescriptor& field = *proto::Parameter::descriptor()->FindFieldByName(name);
      const std::string own = joined_path(path, name);
      if (!reading_.excused.contains(own)) {
        scalar(parameter, field, field.options().GetExtension(proto::rule), own);
      }
    }
  }

  void scalar(const Message& message, const FieldDescriptor& field, const Rule& rule, const std::string& path) {
    const bool written = complaints_.locations.has(path);
    if (!written) {
      if (!reading_.complete) return;
      if (rule.required()) complaints_.add(path, missing(field, rule));
      // A plain number that is not written is 0, which may be out of bounds.
      const bool plain = !field.has_presence() && field.cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE;
      if (!rule.required() && plain && !broken_bound(0, rule).empty()) complaints_.add(path, missing(field, rule));
      return;
    }
    switch (field.cpp_type()) {
      case FieldDescriptor::CPPTYPE_STRING:
        text(message.GetReflection()->GetString(message, &field), rule, path);
        break;
      case FieldDescriptor::CPPTYPE_BOOL:
      case FieldDescriptor::CPPTYPE_ENUM:
        break;
      default:
        bounds(number_in(message, field), rule, path);
    }
  }

  void text(const std::string& value, const Rule& rule, const std::string& path) {
    if (value.find_first_not_of(" \t\r\n") == std::string::npos && (rule.not_empty() || rule.required())) {
      const std::string& example = rule.example();
      complaints_.add(path, "is empty" + (example.empty() ? example : ", must be something like \"" + example + '"'));
    } else if (rule.unit_name() && !is_unit_name(value)) {
      complaints_.add(path, "is \"" + value + "\", an unknown unit" + did_you_mean(value, unit_names()));
    }
  }

  void bounds(double value, const Rule& rule, const std::string& path) {
    const std::string broken = broken_bound(value, rule);
    if (!broken.empty()) complaints_.add(path, "is " + number_text(value) + ", must be " + broken);
  }

  void choice(const Message& message, const OneofDescriptor& choice, const std::string& path) {
    if (message.GetReflection()->HasOneof(message, &choice) || !reading_.complete) return;
    std::vector<std::string> names;
    for (int i = 0; i < choice.field_count(); ++i) {
      names.push_back(choice.field(i)->name());
      if (reading_.excused.contains(joined_path(path, names.back()))) return;
    }
    const std::string members = names.size() == 1 ? names.front() : "one of " + listed(names);
    complaints_.add(path, "has no " + choice.name() + ", write " + members);
  }

  static std::string times(int count) {
    if (count == 1) return "once";
    return count == 2 ? "twice" : std::to_string(count) + " times";
  }

  const Reading& reading_;
  FileComplaints& complaints_;
};

}  // namespace

void check_rules(const Message& message, const Reading& reading, FileComplaints& complaints) {
  RuleCheck(reading, complaints).message(message, "");
}

}  // namespace dawnrig::base::textproto
