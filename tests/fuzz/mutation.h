// Changes drawn at random in a file of our own: figures at and beyond their bounds, parts taken from other files, parts
// that are not there, and text that is no longer one. Room: tests.
#pragma once

#include <google/protobuf/message.h>

#include <map>
#include <memory>
#include <string>
#include <vector>

#include "tests/fuzz/dice.h"

namespace dawnrig::fuzz {

/// Every part of the files it was fed, by kind, for others to take over.
class Parts {
 public:
  void feed(const google::protobuf::Message& message);
  /// One of that kind, or null.
  [[nodiscard]] const google::protobuf::Message* draw(const google::protobuf::Descriptor* kind, Dice& dice) const;

 private:
  std::map<std::string, std::vector<std::unique_ptr<google::protobuf::Message>>> by_kind_;
};

/// Changes one field of the message, somewhere in it.
void mutate(google::protobuf::Message& message, const Parts& parts, Dice& dice);

/// Makes the text something that nobody would have meant: cut off, letters lost, doubled or foreign.
[[nodiscard]] std::string garbled(std::string text, Dice& dice);

}  // namespace dawnrig::fuzz
