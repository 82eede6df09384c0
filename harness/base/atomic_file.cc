#include "harness/base/atomic_file.h"

#include <fcntl.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <ostream>
#include <streambuf>
#include <string>
#include <system_error>
#include <utility>

#include "harness/base/bad_input.h"

namespace dawnrig::base {
namespace {

namespace fs = std::filesystem;

std::string words_of(int error) {
  return std::generic_category().message(error);
}

// Unlike std::filebuf, remembers why a write failed.
class DescriptorBuffer : public std::streambuf {
 public:
  explicit DescriptorBuffer(int descriptor) : descriptor_(descriptor) {
    setp(block_.data(), block_.data() + block_.size());
  }
  [[nodiscard]] int error() const { return error_; }

 protected:
  int_type overflow(int_type next) override {
    if (!drain()) return traits_type::eof();
    if (!traits_type::eq_int_type(next, traits_type::eof())) {
      *pptr() = traits_type::to_char_type(next);
      pbump(1);
    }
    return traits_type::not_eof(next);
  }
  int sync() override { return drain() ? 0 : -1; }

 private:
  bool drain() {
    const char* from = pbase();
    while (error_ == 0 && from < pptr()) {
      const ssize_t written = ::write(descriptor_, from, static_cast<std::size_t>(pptr() - from));
      if (written >= 0) {
        from += written;
      } else if (errno != EINTR) {
        error_ = errno;
      }
    }
    setp(block_.data(), block_.data() + block_.size());
    return error_ == 0;
  }

  int descriptor_;
  int error_{0};
  std::array<char, 1U << 16U> block_{};
};

fs::path followed(const fs::path& target) {
  std::error_code error;
  const fs::path real = fs::weakly_canonical(fs::absolute(target, error), error);  // a bare name has no folder in it
  return error || real.empty() || target.empty() ? target : real;
}

}  // namespace

struct AtomicFile::Impl {
  explicit Impl(const fs::path& asked) : target(followed(asked)), name(asked.string()) {
    check_place();
    open_temporary();
    buffer = std::make_unique<DescriptorBuffer>(descriptor);
    stream.rdbuf(buffer.get());
  }
  ~Impl() {
    if (descriptor >= 0) ::close(descriptor);
    std::error_code ignored;  // nothing can be done about it, and a destructor must not throw
    if (!committed) fs::remove(temporary, ignored);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  void check_place() const {
    std::error_code error;
    if (name.empty()) throw BadInput("", "no file name was given");
    const fs::file_status status = fs::status(target, error);
    if (fs::is_directory(status)) throw BadInput(name, "is a folder, must be a file name");
    if (fs::exists(status) && !fs::is_regular_file(status)) throw BadInput(name, "is not a regular file");
    if (!fs::is_directory(target.parent_path(), error)) {
      throw BadInput(name, "cannot be written: there is no folder " + fs::path(name).parent_path().string());
    }
  }

  void open_temporary() {
    for (int attempt = 0; descriptor < 0; ++attempt) {
      temporary = target;
      temporary += ".part-" + std::to_string(::getpid()) + "-" + std::to_string(attempt);
      descriptor = ::open(temporary.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
      if (descriptor < 0 && errno != EEXIST) throw BadInput(name, "cannot be written: " + words_of(errno));
    }
  }

  [[noreturn]] void fail(int error) const { throw RunFault(name + ": cannot be written: " + words_of(error)); }

  fs::path target;
  std::string name;  // as the person gave it
  fs::path temporary;
  int descriptor{-1};
  bool committed{false};
  std::unique_ptr<DescriptorBuffer> buffer;
  std::ostream stream{nullptr};
};

AtomicFile::AtomicFile(const fs::path& target) : impl_(std::make_unique<Impl>(target)) {}
AtomicFile::~AtomicFile() = default;
AtomicFile::AtomicFile(AtomicFile&&) noexcept = default;
AtomicFile& AtomicFile::operator=(AtomicFile&&) noexcept = default;

std::ostream& AtomicFile::stream() {
  return impl_->stream;
}

void AtomicFile::commit() {
  Impl& file = *impl_;
  file.stream.flush();
  if (file.buffer->error() != 0) file.fail(file.buffer->error());
  if (::fsync(file.descriptor) != 0) file.fail(errno);
  // Some network file systems tell of a full disk only here.
  if (::close(std::exchange(file.descriptor, -1)) != 0) file.fail(errno);
  if (::rename(file.temporary.c_str(), file.target.c_str()) != 0) file.fail(errno);
  file.committed = true;
  // The new name must survive a power cut as well as the bytes do.
  const int folder = ::open(file.target.parent_path().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (folder >= 0) {
    ::fsync(folder);
    ::close(folder);
  }
}

}  // namespace dawnrig::base
