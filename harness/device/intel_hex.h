// The Intel hex format, checked line by line: what every programmer's tool writes for flash and EEPROM.
// Room: harness/device. May use harness/base.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace dawnrig::device {

/// The bytes of one data record at their absolute address.
struct HexRecord {
  std::uint32_t address{0};
  int line{0};  ///< counts from 1, for messages
  std::vector<std::uint8_t> bytes;
};

/// Every data record of `text`, in the file's order. Record types 00 to 05 are understood: segment (02) and linear (04)
/// base addresses are applied, start addresses (03, 05) are checked and dropped. A record that runs over the end of its
/// segment (02) comes as two, the second from the segment's start, as the format says. Throws base::BadInput naming
/// `file` and the line: a character that is not a hex digit, a record of the wrong length, a wrong checksum, an unknown
/// type, a missing end record, anything after it.
[[nodiscard]] std::vector<HexRecord> parse_intel_hex(std::string_view text, const std::string& file);

}  // namespace dawnrig::device
