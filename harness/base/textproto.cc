#include "harness/base/textproto.h"

#include <google/protobuf/message.h>

#include <algorithm>
#include <array>
#include <tuple>
#include <utility>

#include "harness/base/files.h"
#include "harness/base/hash.h"
#include "harness/base/textproto_parts.h"

namespace dawnrig::base {
namespace {

constexpr std::size_t kSaneTextBytes = std::size_t{4} << 20U;
constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";

std::string hex_byte(unsigned char byte) {
  static constexpr std::string_view kDigits = "0123456789ABCDEF";
  return {'0', 'x', kDigits[byte >> 4U], kDigits[byte & 0xFU]};
}

// Length of the UTF-8 sequence at the front, 0 if there is none (RFC 3629: no overlong forms, no surrogates).
std::size_t utf8_length(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(i < text.size() ? text[i] : '\0'); };
  const auto tail = [&](std::size_t i, unsigned low = 0x80, unsigned high = 0xBF) {
    return byte(i) >= low && byte(i) <= high;
  };
  const unsigned first = byte(0);
  if (first < 0x80) return 1;
  if (first >= 0xC2 && first <= 0xDF) return tail(1) ? 2 : 0;
  if (first >= 0xE0 && first <= 0xEF) {
    return tail(1, first == 0xE0 ? 0xA0 : 0x80, first == 0xED ? 0x9F : 0xBF) && tail(2) ? 3 : 0;
  }
  if (first >= 0xF0 && first <= 0xF4) {
    return tail(1, first == 0xF0 ? 0x90 : 0x80, first == 0xF4 ? 0x8F : 0xBF) && tail(2) && tail(3) ? 4 : 0;
  }
  return 0;
}

void demand_text(const std::string& name, std::string_view text) {
  if (text.starts_with("\xFF\xFE") || text.starts_with("\xFE\xFF")) {
    throw BadInput(name, "is UTF-16 text, must be saved as UTF-8");
  }
  if (const std::size_t at = text.find('\0'); at != std::string_view::npos) {
    throw BadInput(name, "is not text: a zero byte at offset " + std::to_string(at));
  }
  int line = 1;
  int column = 1;
  while (!text.empty()) {
    const std::size_t length = utf8_length(text);
    if (length == 0) {
      const std::string byte = hex_byte(static_cast<unsigned char>(text.front()));
      throw BadInput({{name, line, column, "", "is not UTF-8 text: byte " + byte + "; save the file as UTF-8"}});
    }
    const bool line_end = text.front() == '\n';
    line += line_end ? 1 : 0;
    column = line_end ? 1 : column + 1;
    text.remove_prefix(length);
  }
}

}  // namespace

void Locations::record(const std::string& path, Entry entry) {
  entries_.insert_or_assign(path, entry);
}

bool Locations::has(std::string_view path) const {
  return entries_.contains(path);
}

std::optional<Locations::Entry> Locations::entry(std::string_view path) const {
  const auto found = entries_.find(path);
  return found == entries_.end() ? std::nullopt : std::optional(found->second);
}

Locations::Place Locations::of(std::string_view path) const {
  if (const auto number = entry(std::string(path) + ".value")) return number->value;
  if (const auto itself = entry(path)) return itself->block ? itself->name : itself->value;
  if (const auto first = entry(std::string(path) + "[0]")) return first->name;
  while (!path.empty()) {
    const std::size_t end = path.find_last_of(".[");
    path = path.substr(0, end == std::string_view::npos ? 0 : end);
    if (const auto around = entry(path)) return around->name;
  }
  return {};
}

void FileComplaints::add(std::string field, std::string message) {
  const Locations::Place place = locations.of(field);
  add_at(place, std::move(field), std::move(message));
}

void FileComplaints::add_at(Locations::Place place, std::string field, std::string message) {
  list_.push_back({file_, place.line, place.column, std::move(field), std::move(message)});
}

bool FileComplaints::mentions(std::string_view field) const {
  return std::any_of(list_.begin(), list_.end(), [&](const Complaint& complaint) {
    const std::string_view about = complaint.field;
    if (!about.starts_with(field)) return false;
    return about.size() == field.size() || about[field.size()] == '.' || about[field.size()] == '[';
  });
}

std::vector<Complaint> FileComplaints::sorted() const {
  std::vector<Complaint> list = list_;
  std::stable_sort(list.begin(), list.end(), [](const Complaint& a, const Complaint& b) {
    return std::tie(a.line, a.column) < std::tie(b.line, b.column);
  });
  return list;
}

void FileComplaints::throw_if_any() const {
  if (!list_.empty()) throw BadInput(sorted());
}

TextprotoFile parse_textproto(const std::string& name, std::string_view text, google::protobuf::Message& message) {
  TextprotoFile file{.file = name, .sha256 = sha256_hex(text), .complaints = FileComplaints(name)};
  if (text.starts_with(kByteOrderMark)) text.remove_prefix(kByteOrderMark.size());
  demand_text(name, text);
  if (text.find_first_not_of(" \t\r\n") == std::string_view::npos) throw BadInput(name, "is empty");
  message.Clear();
  const textproto::Reading reading = textproto::read_fields(text, message, file.complaints);
  textproto::check_rules(message, reading, file.complaints);
  return file;
}

TextprotoFile read_textproto(const std::filesystem::path& file, google::protobuf::Message& message) {
  return parse_textproto(file.string(), read_text(file, kSaneTextBytes), message);
}

namespace textproto {

std::string joined_path(std::string_view parent, std::string_view name) {
  return parent.empty() ? std::string(name) : std::string(parent) + '.' + std::string(name);
}

}  // namespace textproto
}  // namespace dawnrig::base
