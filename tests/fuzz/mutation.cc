#include "tests/fuzz/mutation.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rule.pb.h"

namespace dawnrig::fuzz {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

struct Bounds {
  double low{-std::numeric_limits<double>::infinity()}, high{std::numeric_limits<double>::infinity()};
};

Bounds bounds_of(const proto::Rule& rule) {
  Bounds b;
  if (rule.has_above()) b.low = rule.above();
  if (rule.has_at_least()) b.low = rule.at_least();
  if (rule.has_below()) b.high = rule.below();
  if (rule.has_at_most()) b.high = rule.at_most();
  return b;
}

double extreme(const Bounds& b, Dice& dice) {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  const double odd[] = {0.0,   -0.0,  -1.0,   1.0,    1e-12,     -1e-12,     1e12,
                        -1e12, 1e300, -1e300, 5e-324, kInfinity, -kInfinity, std::numeric_limits<double>::quiet_NaN()};
  return dice.chance(0.5)   ? odd[dice.below(std::size(odd))]
         : dice.chance(0.5) ? std::nextafter(b.low, -kInfinity)
                            : std::nextafter(b.high, kInfinity);
}

/// Mostly something that the rule allows: its very ends, and what lies between.
double number(double present, const Bounds& b, Dice& dice) {
  if (dice.chance(0.2)) return extreme(b, dice);
  if (dice.chance(0.3)) return present * dice.decades(0.1, 10);
  const bool bounded = std::isfinite(b.low) && std::isfinite(b.high);
  if (!bounded) {
    if (std::isfinite(b.low) && dice.chance(0.3)) return b.low;
    if (std::isfinite(b.high) && dice.chance(0.3)) return b.high;
    return present * dice.decades(1e-3, 1e3);
  }
  if (dice.chance(0.2)) return b.low;
  if (dice.chance(0.25)) return b.high;
  if (b.low >= 0 && b.high > 0 && dice.chance(0.7)) return dice.decades(std::max(b.low, 1e-9 * b.high), b.high);
  return dice.even(b.low, b.high);
}

std::string word(const std::string& present, Dice& dice) {
  switch (dice.below(8)) {
    case 0:
      return "";
    case 1:
      return std::string(5000, 'a');
    case 2:
      return "a\nb\t\"c\\";
    case 3:
      return "\xC3\xA4\xE2\x82\xAC";
    case 4:
      return std::string("\xFF\xFE\0x", 4);
    case 5:
      return present + present;
    case 6:
      return present.substr(0, present.size() / 2);
    default:
      return "battery";
  }
}

const proto::Rule& rule_of(const FieldDescriptor* field) {
  return field->options().GetExtension(proto::rule);
}

/// What stands in a message, and where: fields that are set, and one chance in four those that are not.
struct Spot {
  Message* in;
  const FieldDescriptor* field;
  const proto::Rule* outer;  // of the field that holds a Parameter
};

void gather(Message& message, const proto::Rule* outer, bool absent_too, std::vector<Spot>& spots) {
  const Descriptor* kind = message.GetDescriptor();
  const Reflection* reflection = message.GetReflection();
  for (int i = 0; i < kind->field_count(); ++i) {
    const FieldDescriptor* field = kind->field(i);
    const bool set =
        field->is_repeated() ? reflection->FieldSize(message, field) > 0 : reflection->HasField(message, field);
    if (set || absent_too) spots.push_back({&message, field, outer});
    if (!set || field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
    const bool parameter = field->message_type()->name() == "Parameter";
    const proto::Rule* rule = parameter ? &rule_of(field) : nullptr;
    if (!field->is_repeated()) {
      gather(*reflection->MutableMessage(&message, field), rule, absent_too && !parameter, spots);
      continue;
    }
    for (int k = 0; k < reflection->FieldSize(message, field); ++k) {
      gather(*reflection->MutableRepeatedMessage(&message, field, k), rule, absent_too && !parameter, spots);
    }
  }
}

void set_number(const Spot& spot, Dice& dice) {
  const Reflection* r = spot.in->GetReflection();
  const proto::Rule& own = rule_of(spot.field);
  const Bounds b = bounds_of(spot.outer != nullptr && spot.field->name() == "value" ? *spot.outer : own);
  const auto whole = [&](double present, double least, double most) {
    const double drawn = number(present == 0 ? 1 : present, b, dice);
    return std::isnan(drawn) ? least : std::clamp(std::round(drawn), least, most);
  };
  switch (spot.field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_DOUBLE: {
      const double present = r->GetDouble(*spot.in, spot.field);
      return r->SetDouble(spot.in, spot.field, number(present == 0 ? 1 : present, b, dice));
    }
    case FieldDescriptor::CPPTYPE_INT32:
      return r->SetInt32(spot.in, spot.field,
                         static_cast<int>(whole(r->GetInt32(*spot.in, spot.field), -2147483648.0, 2147483647.0)));
    case FieldDescriptor::CPPTYPE_UINT32:
      return r->SetUInt32(spot.in, spot.field,
                          static_cast<std::uint32_t>(whole(r->GetUInt32(*spot.in, spot.field), 0, 4294967295.0)));
    case FieldDescriptor::CPPTYPE_UINT64:
      return r->SetUInt64(spot.in, spot.field, static_cast<std::uint64_t>(dice.decades(1, 1e18)));
    case FieldDescriptor::CPPTYPE_BOOL:
      return r->SetBool(spot.in, spot.field, !r->GetBool(*spot.in, spot.field));
    case FieldDescriptor::CPPTYPE_ENUM:
      return r->SetEnumValue(
          spot.in, spot.field,
          spot.field->enum_type()->value(dice.below(spot.field->enum_type()->value_count()))->number());
    case FieldDescriptor::CPPTYPE_STRING:
      return r->SetString(spot.in, spot.field, word(r->GetString(*spot.in, spot.field), dice));
    default:
      return;
  }
}

/// A part of that kind out of nothing: what the schema demands, and some of what it allows.
void fill(Message& message, const Parts& parts, Dice& dice, int depth) {
  const Descriptor* kind = message.GetDescriptor();
  const proto::Rule* outer = nullptr;
  for (int i = 0; i < kind->field_count(); ++i) {
    const FieldDescriptor* field = kind->field(i);
    if (field->real_containing_oneof() != nullptr) continue;
    if (!rule_of(field).required() && !dice.chance(0.3)) continue;
    const Reflection* r = message.GetReflection();
    if (field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) {
      if (!field->is_repeated()) set_number({&message, field, outer}, dice);
      continue;
    }
    if (depth > 5) continue;
    Message& part = field->is_repeated() ? *r->AddMessage(&message, field) : *r->MutableMessage(&message, field);
    if (field->message_type()->name() == "Parameter") {
      const FieldDescriptor* value = field->message_type()->FindFieldByName("value");
      set_number({&part, value, &rule_of(field)}, dice);
    } else if (const Message* donor = parts.draw(field->message_type(), dice); donor != nullptr && dice.chance(0.5)) {
      part.CopyFrom(*donor);
    } else {
      fill(part, parts, dice, depth + 1);
    }
  }
  for (int i = 0; i < kind->real_oneof_decl_count(); ++i) {
    const auto* choice = kind->oneof_decl(i);
    const FieldDescriptor* field = choice->field(dice.below(choice->field_count()));
    if (field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) {
      set_number({&message, field, outer}, dice);
    } else if (depth <= 5) {
      fill(*message.GetReflection()->MutableMessage(&message, field), parts, dice, depth + 1);
    }
  }
}

void change_part(const Spot& spot, const Parts& parts, Dice& dice) {
  const Reflection* r = spot.in->GetReflection();
  const bool parameter = spot.field->message_type()->name() == "Parameter";
  if (!parameter && dice.chance(0.15)) return r->ClearField(spot.in, spot.field);
  Message& part = *r->MutableMessage(spot.in, spot.field);
  const Message* donor = parts.draw(spot.field->message_type(), dice);
  if (parameter) {
    set_number({&part, part.GetDescriptor()->FindFieldByName("value"), &rule_of(spot.field)}, dice);
  } else if (donor != nullptr && dice.chance(0.7)) {
    part.CopyFrom(*donor);
  } else {
    part.Clear();
    fill(part, parts, dice, 0);
  }
}

void change_row(const Spot& spot, const Parts& parts, Dice& dice) {
  const Reflection* r = spot.in->GetReflection();
  const int size = r->FieldSize(*spot.in, spot.field);
  if (spot.field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) return r->ClearField(spot.in, spot.field);
  switch (dice.below(5)) {
    case 0:
      if (size > 0) r->RemoveLast(spot.in, spot.field);
      return;
    case 1:
      if (size > 1) r->SwapElements(spot.in, spot.field, dice.below(size), dice.below(size));
      return;
    case 2: {
      const int copies = dice.chance(0.2) ? 60 : 1;
      for (int i = 0; size > 0 && i < copies; ++i) {
        const int from = dice.below(size);
        Message& added = *r->AddMessage(spot.in, spot.field);
        added.CopyFrom(r->GetRepeatedMessage(*spot.in, spot.field, from));
      }
      return;
    }
    default: {
      Message& added = *r->AddMessage(spot.in, spot.field);
      const Message* donor = parts.draw(spot.field->message_type(), dice);
      if (donor != nullptr && dice.chance(0.7)) {
        added.CopyFrom(*donor);
      } else {
        fill(added, parts, dice, 0);
      }
    }
  }
}

}  // namespace

void Parts::feed(const Message& message) {
  const Reflection* r = message.GetReflection();
  by_kind_[message.GetDescriptor()->full_name()].emplace_back(message.New())->CopyFrom(message);
  std::vector<const FieldDescriptor*> fields;
  r->ListFields(message, &fields);
  for (const FieldDescriptor* field : fields) {
    if (field->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
    if (!field->is_repeated()) {
      feed(r->GetMessage(message, field));
      continue;
    }
    for (int i = 0; i < r->FieldSize(message, field); ++i) feed(r->GetRepeatedMessage(message, field, i));
  }
}

const Message* Parts::draw(const Descriptor* kind, Dice& dice) const {
  const auto at = by_kind_.find(kind->full_name());
  if (at == by_kind_.end()) return nullptr;
  return at->second[static_cast<std::size_t>(dice.below(static_cast<int>(at->second.size())))].get();
}

void mutate(Message& message, const Parts& parts, Dice& dice) {
  std::vector<Spot> spots;
  gather(message, nullptr, dice.chance(0.25), spots);
  if (spots.empty()) return;
  const Spot spot = spots[static_cast<std::size_t>(dice.below(static_cast<int>(spots.size())))];
  if (spot.field->is_repeated()) {
    change_row(spot, parts, dice);
  } else if (spot.field->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
    change_part(spot, parts, dice);
  } else if (dice.chance(0.03)) {
    spot.in->GetReflection()->ClearField(spot.in, spot.field);
  } else {
    set_number(spot, dice);
  }
}

std::string garbled(std::string text, Dice& dice) {
  if (text.empty()) return text;
  const auto at = static_cast<std::size_t>(dice.below(static_cast<int>(text.size())));
  switch (dice.below(5)) {
    case 0:
      return text.substr(0, at);
    case 1:
      return text.erase(at, 1 + static_cast<std::size_t>(dice.below(30)));
    case 2:
      return text.insert(at, text.substr(at / 2, static_cast<std::size_t>(dice.below(200))));
    case 3:
      text[at] = static_cast<char>(dice.below(256));
      return text;
    default:
      return text.insert(at,
                         std::string(static_cast<std::size_t>(1 + dice.below(2000)), "{}[]:\"<>\n-0"[dice.below(11)]));
  }
}

}  // namespace dawnrig::fuzz
