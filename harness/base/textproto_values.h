// One value as written, put into a field of a message if it is of the right type.
// Room: harness/base, private to it. May use the standard library; protobuf in the .cc file.
#pragma once

#include <string>

#include "harness/base/textproto_tokens.h"

namespace google::protobuf {
class FieldDescriptor;
}

namespace dawnrig::base::textproto {

/// A literal: an optional minus sign and a word. Neighbouring strings are one string.
struct Literal {
  Token word;
  std::string bytes;  ///< of a string
  bool negative{false};
  [[nodiscard]] std::string as_written() const { return (negative ? "-" : "") + word.text; }
};

/// Sets the scalar `field` of `message` (adds, if repeated). Otherwise returns what is wrong: "is 2.5, must be a whole
/// number".
[[nodiscard]] std::string put_value(const Literal& literal, const google::protobuf::FieldDescriptor& field,
                                    google::protobuf::Message& message);

/// What would be right, in words: "a number", "one of UP, DOWN", "a block: mcu { ... }".
[[nodiscard]] std::string wanted(const google::protobuf::FieldDescriptor& field);

/// The names a person may write for an enum, without the one that means "not said".
[[nodiscard]] std::vector<std::string> choices_of(const google::protobuf::FieldDescriptor& field);

}  // namespace dawnrig::base::textproto
