// A trace file block by block: checked, deflated where that saves space, and hashed.
// Room: harness/trace. May use harness/base; protobuf, zlib and POSIX calls in the .cc file.
#pragma once

#include <cstddef>
#include <filesystem>
#include <memory>
#include <string>

namespace dawnrig::proto {
class TraceBlock;
}

namespace dawnrig::trace {

/// Writes each block with one call to the operating system, so that a process that is killed leaves whole blocks.
/// Buffers are reused: once the largest block has been seen, write() does not allocate.
class BlockWriter {
 public:
  enum class Counts : bool { kNo, kYes };  ///< towards the content hash

  /// `file` empty: hash only. Replaces the file. Throws base::BadInput if it cannot be created.
  explicit BlockWriter(const std::filesystem::path& file);
  ~BlockWriter();
  BlockWriter(const BlockWriter&) = delete;
  BlockWriter& operator=(const BlockWriter&) = delete;

  /// Throws base::RunFault if the block cannot be written whole; the file then ends with the block before it, and
  /// further calls throw as well.
  void write(const proto::TraceBlock& block, Counts counts);
  /// Of all blocks so far that count.
  [[nodiscard]] std::string content_sha256() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::trace
