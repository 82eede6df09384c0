// Between the identity of a run and its schema.
// Room: harness/trace. Only for the .cc files of this room; may use harness/base.
#pragma once

#include "harness/trace/recorder.h"

namespace dawnrig::proto {
class Identity;
}

namespace dawnrig::trace {

/// File names may hold any byte, the schema's strings must not: what is no character of the basic plane becomes '?'.
[[nodiscard]] std::string as_utf8(std::string_view text);

void to_proto(const Identity& identity, proto::Identity& message);
[[nodiscard]] Identity from_proto(const proto::Identity& message);

}  // namespace dawnrig::trace
