#include "harness/trace/proto_identity_internal.h"
#include "trace.pb.h"

namespace dawnrig::trace {
namespace {

bool continues_character(std::string_view text, std::size_t at) {
  return at < text.size() && (static_cast<unsigned char>(text[at]) & 0xC0U) == 0x80U;
}

// Bytes of the character that begins at `at`, by its first byte; 0 if none can begin there or it is cut short.
std::size_t character_bytes(std::string_view text, std::size_t at) {
  const unsigned first = static_cast<unsigned char>(text[at]);
  if (first < 0x80U) return 1;
  const std::size_t bytes = first >= 0xC2U && first < 0xE0U ? 2 : first >= 0xE0U && first < 0xF0U ? 3 : 0;
  for (std::size_t i = 1; i < bytes; ++i) {
    if (!continues_character(text, at + i)) return 0;
  }
  if (bytes != 3) return bytes;
  const unsigned second = static_cast<unsigned char>(text[at + 1]);
  const bool overlong = first == 0xE0U && second < 0xA0U;
  const bool surrogate = first == 0xEDU && second >= 0xA0U;
  return overlong || surrogate ? 0 : bytes;
}

}  // namespace

std::string as_utf8(std::string_view text) {
  std::string result;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t bytes = character_bytes(text, at);
    result += bytes == 0 ? std::string_view{"?"} : text.substr(at, bytes);
    at += bytes == 0 ? 1 : bytes;
  }
  return result;
}

void to_proto(const Identity& identity, proto::Identity& message) {
  message.set_tool_version(as_utf8(identity.tool_version));
  message.set_image_file(as_utf8(identity.image_file));
  message.set_image_sha256(as_utf8(identity.image_sha256));
  message.set_board_file(as_utf8(identity.board_file));
  message.set_board_sha256(as_utf8(identity.board_sha256));
  message.set_site_file(as_utf8(identity.site_file));
  message.set_site_sha256(as_utf8(identity.site_sha256));
  message.set_scenario_name(as_utf8(identity.scenario_name));
  message.set_scenario_sha256(as_utf8(identity.scenario_sha256));
  message.set_seed(identity.seed);
  message.set_board_name(as_utf8(identity.board_name));
  message.set_board_revision(as_utf8(identity.board_revision));
  message.set_site_name(as_utf8(identity.site_name));
  message.set_rig(as_utf8(identity.rig));
}

Identity from_proto(const proto::Identity& message) {
  return {.tool_version = message.tool_version(),
          .image_file = message.image_file(),
          .image_sha256 = message.image_sha256(),
          .board_file = message.board_file(),
          .board_sha256 = message.board_sha256(),
          .site_file = message.site_file(),
          .site_sha256 = message.site_sha256(),
          .scenario_name = message.scenario_name(),
          .scenario_sha256 = message.scenario_sha256(),
          .seed = message.seed(),
          .board_name = message.board_name(),
          .board_revision = message.board_revision(),
          .site_name = message.site_name(),
          .rig = message.rig()};
}

}  // namespace dawnrig::trace
