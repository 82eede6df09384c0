#include "harness/link/message.h"

#include <google/protobuf/arena.h>

#include <vector>

#include "harness/link/message_parts.h"
#include "proto/board_link.pb.h"

namespace dawnrig::link {

namespace {

/// A message and all it holds lie in here; it is emptied before each, and never has to grow.
constexpr std::size_t kArenaBytes = std::size_t{32} << 10U;

}  // namespace

struct MessageCodec::Impl {
  Impl() : memory(kArenaBytes), arena{memory.data(), memory.size()} {}

  template <class Message>
  [[nodiscard]] Message& fresh() {
    arena.Reset();
    return *google::protobuf::Arena::CreateMessage<Message>(&arena);
  }
  template <class Message, class Plain>
  std::size_t encode(const Plain& plain, std::span<std::uint8_t> into) {
    auto& message = fresh<Message>();
    write(plain, message);
    const std::size_t size = message.ByteSizeLong();
    return size <= into.size() && message.SerializeToArray(into.data(), static_cast<int>(into.size())) ? size : 0;
  }
  template <class Plain, class Message>
  std::optional<Plain> decode(std::span<const std::uint8_t> payload) {
    auto& message = fresh<Message>();
    if (!message.ParseFromArray(payload.data(), static_cast<int>(payload.size()))) {
      return std::nullopt;
    }
    return read_message(message);
  }

  std::vector<char> memory;
  google::protobuf::Arena arena;
};

MessageCodec::MessageCodec() : impl_{std::make_unique<Impl>()} {}
MessageCodec::~MessageCodec() = default;

std::size_t MessageCodec::encode(const ToBoard& message, std::span<std::uint8_t> into) {
  return impl_->encode<proto::ToBoard>(message, into);
}
std::size_t MessageCodec::encode(const FromBoard& message, std::span<std::uint8_t> into) {
  return impl_->encode<proto::FromBoard>(message, into);
}
std::optional<FromBoard> MessageCodec::decode(std::span<const std::uint8_t> payload) {
  return impl_->decode<FromBoard, proto::FromBoard>(payload);
}
std::optional<ToBoard> MessageCodec::decode_to_board(std::span<const std::uint8_t> payload) {
  return impl_->decode<ToBoard, proto::ToBoard>(payload);
}

std::string_view channel_name(std::size_t channel) {
  static constexpr std::array<std::string_view, kChannels> kNames{"battery", "panel", "current", "thermistor"};
  return kNames.at(channel);
}

std::string_view safe_cause_text(std::uint32_t cause) {
  static constexpr std::array<std::string_view, 7> kTexts{
      "not in its safe state",
      "never configured since power-up",
      "no valid frame from the host for 100 ms",
      "a configuration was refused",
      "the host wished it",
      "the board's own watchdog restarted it",
      "its read-back was far from what was set",
  };
  return cause < kTexts.size() ? kTexts[cause] : "for a cause that this host does not know";
}

}  // namespace dawnrig::link
