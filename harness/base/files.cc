#include "harness/base/files.h"

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fstream>
#include <system_error>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"

namespace dawnrig::base {
namespace {

namespace fs = std::filesystem;

fs::path folder_of(const fs::path& file) {
  return file.has_parent_path() ? file.parent_path() : fs::path(".");
}

std::string why_missing(const fs::path& file) {
  std::error_code error;
  const fs::path folder = folder_of(file);
  if (!fs::is_directory(folder, error)) return "does not exist: there is no folder " + folder.string();
  std::vector<std::string> names;
  for (auto entry = fs::directory_iterator(folder, error); !error && entry != fs::directory_iterator();
       entry.increment(error)) {
    names.push_back(entry->path().filename().string());
  }
  std::sort(names.begin(), names.end());  // a directory's own order is chance
  const auto meant = nearest(file.filename().string(), names);
  return "does not exist" + (meant ? "; did you mean " + (file.parent_path() / *meant).string() + "?" : std::string());
}

template <class Bytes>
Bytes read_whole(const fs::path& file, std::size_t limit_bytes) {
  demand_readable(file);
  std::ifstream in(file, std::ios::binary);
  Bytes bytes;
  std::vector<char> piece(1U << 16U);
  while (in) {
    in.read(piece.data(), static_cast<std::streamsize>(piece.size()));
    bytes.insert(bytes.end(), piece.begin(), piece.begin() + in.gcount());
    // Counted here and not asked beforehand: the file may be growing.
    if (bytes.size() > limit_bytes) {
      throw BadInput(file.string(), "is larger than " + std::to_string(limit_bytes) + " bytes; is it the right file?");
    }
  }
  if (in.bad()) throw BadInput(file.string(), "cannot be read to its end");
  return bytes;
}

}  // namespace

void demand_readable(const fs::path& file) {
  if (file.empty()) throw BadInput("", "no file name was given");
  std::error_code error;
  const fs::file_status status = fs::status(file, error);
  if (status.type() == fs::file_type::not_found) throw BadInput(file.string(), why_missing(file));
  if (error) throw BadInput(file.string(), "cannot be read: " + error.message());
  if (fs::is_directory(status)) throw BadInput(file.string(), "is a folder, must be a file");
  if (!fs::is_regular_file(status)) throw BadInput(file.string(), "is not a regular file");
  errno = 0;
  if (!std::ifstream(file, std::ios::binary)) {
    throw BadInput(file.string(), "cannot be read: " + std::generic_category().message(errno));
  }
}

std::vector<std::uint8_t> read_file(const fs::path& file, std::size_t limit_bytes) {
  return read_whole<std::vector<std::uint8_t>>(file, limit_bytes);
}

std::string read_text(const fs::path& file, std::size_t limit_bytes) {
  return read_whole<std::string>(file, limit_bytes);
}

}  // namespace dawnrig::base
