// A file that is either whole or not there: written beside its place and moved into it when complete.
// Room: harness/base. May use the standard library; POSIX calls in the .cc file.
#pragma once

#include <filesystem>
#include <iosfwd>
#include <memory>

namespace dawnrig::base {

/// Writes to a temporary file in the folder of `target`; commit() puts it in place of `target` in one step. Without
/// commit() the destructor removes the temporary file and `target` stays what it was. A symbolic link is followed.
class AtomicFile {
 public:
  /// Throws BadInput if the folder is missing or may not be written, or `target` is a folder or no regular file.
  explicit AtomicFile(const std::filesystem::path& target);
  ~AtomicFile();
  AtomicFile(AtomicFile&&) noexcept;
  AtomicFile& operator=(AtomicFile&&) noexcept;
  AtomicFile(const AtomicFile&) = delete;
  AtomicFile& operator=(const AtomicFile&) = delete;

  /// Goes bad at the first byte that cannot be written; commit() then says why.
  [[nodiscard]] std::ostream& stream();
  /// Everything to the disk, then into place. Throws RunFault if any byte could not be written; `target` is untouched
  /// then. To be called once.
  void commit();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::base
