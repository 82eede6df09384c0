// Between the plain values of message.h and the schema. Room: harness/link, private to it: for message*.cc.
#pragma once

#include <optional>

#include "harness/link/message.h"

namespace dawnrig::proto {
class FromBoard;
class ToBoard;
}  // namespace dawnrig::proto

namespace dawnrig::link {

/// Into an empty message.
void write(const ToBoard& plain, proto::ToBoard& message);
void write(const FromBoard& plain, proto::FromBoard& message);
/// nullopt: of no kind that is known, or a list of a length it must not have.
[[nodiscard]] std::optional<FromBoard> read_message(const proto::FromBoard& message);
[[nodiscard]] std::optional<ToBoard> read_message(const proto::ToBoard& message);

}  // namespace dawnrig::link
