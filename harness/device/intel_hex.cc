#include "harness/device/intel_hex.h"

#include <algorithm>
#include <cstdio>

#include "harness/base/bad_input.h"

namespace dawnrig::device {
namespace {

constexpr std::uint32_t kSegmentBytes = 0x10000;

enum RecordType : std::uint8_t {
  kData = 0,
  kEnd = 1,
  kSegmentBase = 2,
  kSegmentStart = 3,
  kLinearBase = 4,
  kLinearStart = 5,
};

std::string two_digits(unsigned value) {
  char text[8];
  std::snprintf(text, sizeof text, "%02X", value & 0xFFU);
  return text;
}

int hex_digit(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  return -1;
}

std::string_view trimmed(std::string_view line) {
  while (!line.empty() && (line.back() == '\r' || line.back() == ' ' || line.back() == '\t')) line.remove_suffix(1);
  return line;
}

class Parser {
 public:
  explicit Parser(const std::string& file) : file_{file} {}

  void take_line(std::string_view line) {
    ++line_;
    line = trimmed(line);
    if (line.empty()) return;
    if (ended_) complain(1, "stands after the end record; nothing may follow \":00000001FF\"");
    decode(line);
    apply();
  }

  std::vector<HexRecord> finish() {
    if (!ended_) {
      complain(
          0,
          "has no end record (\":00000001FF\" as the last line), so part of it may be missing; copy or build it again");
    }
    return std::move(records_);
  }

 private:
  [[noreturn]] void complain(int column, std::string message) const {
    throw base::BadInput({base::Complaint{file_, line_, column, "", std::move(message)}});
  }

  void decode(std::string_view line) {
    if (line[0] != ':') complain(1, "does not start with ':', as every Intel hex record must");
    bytes_.clear();
    for (std::size_t i = 1; i < line.size(); i += 2) {
      const int high = hex_digit(line[i]);
      if (high < 0) complain(static_cast<int>(i) + 1, "has a character that is not a hex digit (0-9, A-F)");
      if (i + 1 == line.size()) complain(static_cast<int>(i) + 1, "ends in the middle of a byte; digits come in pairs");
      const int low = hex_digit(line[i + 1]);
      if (low < 0) complain(static_cast<int>(i) + 2, "has a character that is not a hex digit (0-9, A-F)");
      bytes_.push_back(static_cast<std::uint8_t>(high * 16 + low));
    }
    const std::size_t expected = bytes_.empty() ? 5 : bytes_[0] + std::size_t{5};
    if (bytes_.size() != expected) {
      complain(0, "is a record of " + std::to_string(bytes_.size()) + " bytes, its length field asks for " +
                      std::to_string(expected));
    }
    unsigned sum = 0;
    for (std::size_t i = 0; i + 1 < bytes_.size(); ++i) sum += bytes_[i];
    const unsigned right = (0x100U - (sum & 0xFFU)) & 0xFFU;
    if (bytes_.back() != right) {
      complain(static_cast<int>(line.size()) - 1,
               "has checksum " + two_digits(bytes_.back()) + ", its bytes add up to " + two_digits(right));
    }
  }

  void apply() {
    switch (bytes_[3]) {
      case kData:
        add_data();
        break;
      case kEnd:
        need_length(0);
        ended_ = true;
        break;
      case kSegmentBase:
        need_length(2);
        base_ = std::uint32_t{word(4)} * 16U;
        wraps_ = true;
        break;
      case kLinearBase:
        need_length(2);
        base_ = std::uint32_t{word(4)} << 16U;
        wraps_ = false;
        break;
      case kSegmentStart:
      case kLinearStart:
        need_length(4);
        break;
      default:
        complain(8, "has record type " + two_digits(bytes_[3]) + "; types 00 to 05 exist");
    }
  }

  void add_data() {
    const std::uint32_t offset = word(1);
    const std::uint32_t count = bytes_[0];
    const std::uint32_t before_wrap = wraps_ ? std::min(count, kSegmentBytes - offset) : count;
    const auto first = bytes_.begin() + 4;
    if (before_wrap > 0) records_.push_back({base_ + offset, line_, {first, first + before_wrap}});
    if (before_wrap < count) records_.push_back({base_, line_, {first + before_wrap, first + count}});
  }

  void need_length(unsigned length) const {
    if (bytes_[0] != length) {
      complain(2, "is of type " + two_digits(bytes_[3]) + " with " + std::to_string(bytes_[0]) +
                      " data bytes, must have " + std::to_string(length));
    }
  }

  [[nodiscard]] std::uint16_t word(std::size_t at) const {
    return static_cast<std::uint16_t>(bytes_[at] * 256 + bytes_[at + 1]);
  }

  const std::string& file_;
  int line_{0};
  bool ended_{false};
  std::uint32_t base_{0};
  bool wraps_{false};                // offsets wrap within a segment, but run on from a linear base
  std::vector<std::uint8_t> bytes_;  // of the current line: length, address, type, data, checksum
  std::vector<HexRecord> records_;
};

}  // namespace

std::vector<HexRecord> parse_intel_hex(std::string_view text, const std::string& file) {
  Parser parser{file};
  while (!text.empty()) {
    const std::size_t end = std::min(text.find('\n'), text.size());
    parser.take_line(text.substr(0, end));
    text.remove_prefix(std::min(end + 1, text.size()));
  }
  return parser.finish();
}

}  // namespace dawnrig::device
