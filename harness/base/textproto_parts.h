// The two halves of read_textproto(): what stands in the file, and whether it is what the schema asks for.
// Room: harness/base, private to it. May use the standard library.
#pragma once

#include <set>
#include <string>
#include <string_view>

#include "harness/base/textproto.h"

namespace dawnrig::base::textproto {

/// What reading found out besides complaints.
struct Reading {
  bool complete{true};  ///< false: a syntax error ended it, so a missing field may stand in the part not read
  /// Paths of fields that were written, if under a wrong name or with a wrong value: not to be called missing as well.
  std::set<std::string, std::less<>> excused;
};

/// Fills `message` with what can be read from `text`, which is valid UTF-8 without a byte-order mark.
[[nodiscard]] Reading read_fields(std::string_view text, google::protobuf::Message& message,
                                  FileComplaints& complaints);

/// Complains about everything in `message` that breaks a `(rule)`, a choice or a tolerance.
void check_rules(const google::protobuf::Message& message, const Reading& reading, FileComplaints& complaints);

/// "battery" and "cells" make "battery.cells"; "" and "name" make "name".
[[nodiscard]] std::string joined_path(std::string_view parent, std::string_view name);

}  // namespace dawnrig::base::textproto
