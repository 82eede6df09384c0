#include "harness/base/textproto_values.h"

#include <google/protobuf/descriptor.h>
#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/message.h>

#include <cmath>
#include <limits>
#include <optional>

#include "harness/base/text.h"

namespace dawnrig::base::textproto {
namespace {

using google::protobuf::EnumValueDescriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;
using google::protobuf::io::Tokenizer;

std::string not_wanted(const Literal& literal, const FieldDescriptor& field) {
  return "is " + literal.as_written() + ", must be " + wanted(field);
}

bool other_radix(const std::string& digits) {
  return digits.size() > 1 && digits[0] == '0' &&
         digits.find_first_not_of("0123456789abcdefABCDEFxX") == std::string::npos &&
         digits.find_first_of(".eE") == std::string::npos;
}

std::string put_real(const Literal& literal, const FieldDescriptor& field, Message& message) {
  const std::string& text = literal.word.text;
  if (literal.word.kind == TokenKind::kName) {
    const bool special = text == "nan" || text == "inf" || text == "infinity" || text == "NaN" || text == "Infinity";
    return special ? "is " + literal.as_written() + ", must be a finite number" : not_wanted(literal, field);
  }
  if (!literal.word.is_number()) return not_wanted(literal, field);
  if (other_radix(text)) return "is " + literal.as_written() + ", must be written as a decimal number";
  const double value = Tokenizer::ParseFloat(text) * (literal.negative ? -1 : 1);
  if (!std::isfinite(value)) return "is " + literal.as_written() + ", must be a finite number";
  const Reflection& access = *message.GetReflection();
  const bool wide = field.cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE;
  if (field.is_repeated()) {
    wide ? access.AddDouble(&message, &field, value) : access.AddFloat(&message, &field, static_cast<float>(value));
  } else {
    wide ? access.SetDouble(&message, &field, value) : access.SetFloat(&message, &field, static_cast<float>(value));
  }
  return {};
}

struct Range {
  std::uint64_t below_zero{0}, highest{0};
  [[nodiscard]] std::string words() const {
    return (below_zero != 0 ? "-" + std::to_string(below_zero) : "0") + " to " + std::to_string(highest);
  }
};

template <class Int>
constexpr Range range_of() {
  constexpr auto kHighest = static_cast<std::uint64_t>(std::numeric_limits<Int>::max());
  return {std::numeric_limits<Int>::min() < 0 ? kHighest + 1 : 0, kHighest};
}

std::optional<Range> range_of(const FieldDescriptor& field) {
  switch (field.cpp_type()) {
    case FieldDescriptor::CPPTYPE_INT32:
      return range_of<std::int32_t>();
    case FieldDescriptor::CPPTYPE_INT64:
      return range_of<std::int64_t>();
    case FieldDescriptor::CPPTYPE_UINT32:
      return range_of<std::uint32_t>();
    case FieldDescriptor::CPPTYPE_UINT64:
      return range_of<std::uint64_t>();
    default:
      return std::nullopt;
  }
}

void store_integer(std::uint64_t size, bool negative, const FieldDescriptor& field, Message& message) {
  const Reflection& access = *message.GetReflection();
  const std::uint64_t bits = negative ? 0 - size : size;  // two's complement
  const bool many = field.is_repeated();
  switch (field.cpp_type()) {
    case FieldDescriptor::CPPTYPE_INT32: {
      const auto value = static_cast<std::int32_t>(bits);
      many ? access.AddInt32(&message, &field, value) : access.SetInt32(&message, &field, value);
      break;
    }
    case FieldDescriptor::CPPTYPE_INT64: {
      const auto value = static_cast<std::int64_t>(bits);
      many ? access.AddInt64(&message, &field, value) : access.SetInt64(&message, &field, value);
      break;
    }
    case FieldDescriptor::CPPTYPE_UINT32: {
      const auto value = static_cast<std::uint32_t>(bits);
      many ? access.AddUInt32(&message, &field, value) : access.SetUInt32(&message, &field, value);
      break;
    }
    default:
      many ? access.AddUInt64(&message, &field, bits) : access.SetUInt64(&message, &field, bits);
  }
}

std::string put_integer(const Literal& literal, const FieldDescriptor& field, const Range& range, Message& message) {
  if (literal.word.kind != TokenKind::kInteger) return not_wanted(literal, field);
  const std::uint64_t limit = literal.negative ? range.below_zero : range.highest;
  std::uint64_t size = 0;
  if (!Tokenizer::ParseInteger(literal.word.text, limit, &size) || size > limit) {
    return "is " + literal.as_written() + ", must be a whole number from " + range.words();
  }
  store_integer(size, literal.negative, field, message);
  return {};
}

std::string put_choice(const Literal& literal, const FieldDescriptor& field, Message& message) {
  const std::vector<std::string> choices = choices_of(field);
  if (literal.word.kind == TokenKind::kString) {
    const EnumValueDescriptor* meant = field.enum_type()->FindValueByName(literal.bytes);
    if (meant != nullptr) return "is " + literal.word.text + ", must be written without quotes: " + literal.bytes;
  }
  if (literal.word.kind != TokenKind::kName || literal.negative) return not_wanted(literal, field);
  const EnumValueDescriptor* value = field.enum_type()->FindValueByName(literal.word.text);
  if (value == nullptr) return "is " + literal.word.text + did_you_mean(literal.word.text, choices);
  if (value->number() == 0) return not_wanted(literal, field);
  const Reflection& access = *message.GetReflection();
  field.is_repeated() ? access.AddEnum(&message, &field, value) : access.SetEnum(&message, &field, value);
  return {};
}

std::string put_text(const Literal& literal, const FieldDescriptor& field, Message& message) {
  if (literal.word.kind != TokenKind::kString || literal.negative) {
    return "is " + literal.as_written() + ", must be in quotes: \"" + literal.as_written() + "\"";
  }
  const Reflection& access = *message.GetReflection();
  field.is_repeated() ? access.AddString(&message, &field, literal.bytes)
                      : access.SetString(&message, &field, literal.bytes);
  return {};
}

std::string put_flag(const Literal& literal, const FieldDescriptor& field, Message& message) {
  const std::string& text = literal.word.text;
  const bool yes = text == "true" || text == "True" || text == "t" || text == "1";
  const bool no = text == "false" || text == "False" || text == "f" || text == "0";
  if ((!yes && !no) || literal.negative || literal.word.kind == TokenKind::kString) return not_wanted(literal, field);
  const Reflection& access = *message.GetReflection();
  field.is_repeated() ? access.AddBool(&message, &field, yes) : access.SetBool(&message, &field, yes);
  return {};
}

}  // namespace

std::vector<std::string> choices_of(const FieldDescriptor& field) {
  std::vector<std::string> names;
  for (int i = 0; i < field.enum_type()->value_count(); ++i) {
    const EnumValueDescriptor* value = field.enum_type()->value(i);
    if (value->number() != 0) names.push_back(value->name());
  }
  return names;
}

std::string wanted(const FieldDescriptor& field) {
  switch (field.cpp_type()) {
    case FieldDescriptor::CPPTYPE_DOUBLE:
    case FieldDescriptor::CPPTYPE_FLOAT:
      return "a number";
    case FieldDescriptor::CPPTYPE_BOOL:
      return "true or false";
    case FieldDescriptor::CPPTYPE_ENUM:
      return "one of " + listed(choices_of(field));
    case FieldDescriptor::CPPTYPE_STRING:
      return "a text in quotes";
    case FieldDescriptor::CPPTYPE_MESSAGE:
      return "a block: " + field.name() + " { ... }";
    default:
      return "a whole number";
  }
}

std::string put_value(const Literal& literal, const FieldDescriptor& field, Message& message) {
  switch (field.cpp_type()) {
    case FieldDescriptor::CPPTYPE_DOUBLE:
    case FieldDescriptor::CPPTYPE_FLOAT:
      return put_real(literal, field, message);
    case FieldDescriptor::CPPTYPE_BOOL:
      return put_flag(literal, field, message);
    case FieldDescriptor::CPPTYPE_ENUM:
      return put_choice(literal, field, message);
    case FieldDescriptor::CPPTYPE_STRING:
      return put_text(literal, field, message);
    case FieldDescriptor::CPPTYPE_MESSAGE:
      if (literal.word.is_number() && field.message_type()->FindFieldByName("value") != nullptr) {
        const std::string value = literal.as_written();
        return "is " + value + ", must be a block: " + field.name() + " { value: " + value + " }";
      }
      return not_wanted(literal, field);
    default:
      return put_integer(literal, field, *range_of(field), message);
  }
}

}  // namespace dawnrig::base::textproto
