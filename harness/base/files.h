// Files that a person names, read whole; what is wrong with them is said in a sentence.
// Room: harness/base. May use the standard library only.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

namespace dawnrig::base {

/// No file that people write or compile for this job comes near it; a disk image given by mistake does.
inline constexpr std::size_t kSaneFileBytes = std::size_t{64} << 20U;

/// Throws BadInput if `file` is missing (with the name beside it that was probably meant), is not a regular file, or
/// may not be read.
void demand_readable(const std::filesystem::path& file);

/// The bytes of a file. Throws BadInput as demand_readable() does, and if it is larger than `limit_bytes`.
[[nodiscard]] std::vector<std::uint8_t> read_file(const std::filesystem::path& file,
                                                  std::size_t limit_bytes = kSaneFileBytes);
[[nodiscard]] std::string read_text(const std::filesystem::path& file, std::size_t limit_bytes = kSaneFileBytes);

}  // namespace dawnrig::base
