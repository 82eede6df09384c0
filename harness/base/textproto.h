// Files that people write: protobuf text format, read strictly, with every fault and its place.
// Room: harness/base. May use the standard library; protobuf and our own schemas in .cc files.
#pragma once

#include <cstddef>
#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "harness/base/bad_input.h"

namespace google::protobuf {
class Message;
}

namespace dawnrig::base {

/// Where the fields of a file stand. Paths are dotted, repeated fields counted from 0: "sense[1].divider.r_top_ohm".
class Locations {
 public:
  /// Counted from 1, in characters (a tab is one).
  struct Place {
    int line{0}, column{0};
  };
  struct Entry {
    Place name, value;
    bool block{false};  ///< in brackets: better pointed at by its name
  };

  void record(const std::string& path, Entry entry);
  /// Written in the file.
  [[nodiscard]] bool has(std::string_view path) const;
  /// Where the value stands: of a Parameter, the number inside it; of another block, its name; of a repeated field, its
  /// first element. For a field that is not written, the name of the nearest enclosing block that is; {0, 0} if the
  /// whole file is the nearest.
  [[nodiscard]] Place of(std::string_view path) const;
  [[nodiscard]] std::optional<Entry> entry(std::string_view path) const;

 private:
  std::map<std::string, Entry, std::less<>> entries_;
};

/// Complaints about one file, gathered until all are known.
class FileComplaints {
 public:
  FileComplaints() = default;
  explicit FileComplaints(std::string file) : file_(std::move(file)) {}

  /// At the place of `field`.
  void add(std::string field, std::string message);
  void add_at(Locations::Place place, std::string field, std::string message);
  [[nodiscard]] bool empty() const { return list_.empty(); }
  /// `field`, or something inside it, has been complained about already.
  [[nodiscard]] bool mentions(std::string_view field) const;
  /// In the order of the file; equal places keep the order of their arrival.
  [[nodiscard]] std::vector<Complaint> sorted() const;
  void throw_if_any() const;

  Locations locations;

 private:
  std::string file_;
  std::vector<Complaint> list_;
};

/// A file as read. `complaints` holds the faults found so far; add to it, then throw_if_any().
struct TextprotoFile {
  std::string file;
  std::string sha256;  ///< of the bytes as they are on the disk
  FileComplaints complaints;
};

/// Reads `file` into `message` and checks it against its schema. Complained about, all at once: unknown fields (with
/// the one that was probably meant), values of the wrong type, unknown enum values, fields written twice, two members
/// of one choice, bounds and presence by the `(rule)` options (proto/rule.proto), choices not made, tolerances given
/// both ways, infinities and NaN. A syntax error ends the reading there; what stood before it is still checked.
/// `message` holds what could be read, so that a caller can go on and find its own faults in the rest.
/// Throws BadInput at once only if the file cannot be read at all, or is not text.
[[nodiscard]] TextprotoFile read_textproto(const std::filesystem::path& file, google::protobuf::Message& message);

/// The same from memory; `name` stands for the file in complaints.
[[nodiscard]] TextprotoFile parse_textproto(const std::string& name, std::string_view text,
                                            google::protobuf::Message& message);

}  // namespace dawnrig::base
