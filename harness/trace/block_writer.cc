#include "harness/trace/block_writer.h"

#include <fcntl.h>
#include <unistd.h>
#include <zlib.h>

#include <cerrno>
#include <cstdint>
#include <span>
#include <string_view>
#include <system_error>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/hash.h"
#include "harness/trace/block_format.h"
#include "trace.pb.h"

namespace dawnrig::trace {
namespace {

// The fastest level: a trace is mostly slow signals, which any level folds well.
constexpr int kDeflateLevel = 1;

std::string words_of(int error) {
  return std::generic_category().message(error);
}

void put_word(std::uint8_t* to, std::uint32_t word) {
  for (unsigned i = 0; i < 4; ++i) to[i] = static_cast<std::uint8_t>(word >> (8U * i));
}

void serialise(const proto::TraceBlock& block, std::vector<std::uint8_t>& into, std::size_t room_before) {
  const std::size_t size = block.ByteSizeLong();
  into.resize(room_before + size);
  block.SerializeWithCachedSizesToArray(into.data() + room_before);
}

/// A zlib stream made ready once and reset for each block.
class Deflater {
 public:
  Deflater() {
    if (deflateInit(&stream_, kDeflateLevel) != Z_OK) throw base::RunFault("out of memory for the trace's deflater");
  }
  ~Deflater() { deflateEnd(&stream_); }
  Deflater(const Deflater&) = delete;
  Deflater& operator=(const Deflater&) = delete;

  std::string_view deflated(std::span<const std::uint8_t> bytes) {
    deflateReset(&stream_);
    const uLong bound = deflateBound(&stream_, static_cast<uLong>(bytes.size()));
    if (out_.size() < bound) out_.resize(bound);
    stream_.next_in = const_cast<Bytef*>(bytes.data());  // zlib does not write to it
    stream_.avail_in = static_cast<uInt>(bytes.size());
    stream_.next_out = reinterpret_cast<Bytef*>(out_.data());
    stream_.avail_out = static_cast<uInt>(out_.size());
    if (deflate(&stream_, Z_FINISH) != Z_STREAM_END) throw base::RunFault("a block of the trace cannot be deflated");
    return {out_.data(), out_.size() - stream_.avail_out};
  }

 private:
  z_stream stream_{};
  std::string out_;
};

}  // namespace

struct BlockWriter::Impl {
  void open(const std::filesystem::path& file) {
    name = file.string();
    descriptor = ::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (descriptor < 0) throw base::BadInput(name, "cannot be created: " + words_of(errno));
    append(reinterpret_cast<const std::uint8_t*>(kMagic.data()), kMagic.size());
  }

  /// All of it, or an exception and the file as it was before.
  void append(const std::uint8_t* from, std::size_t size) {
    if (!fault.empty()) throw base::RunFault(fault);
    std::size_t done = 0;
    while (done < size) {
      const ssize_t written = ::write(descriptor, from + done, size - done);
      if (written > 0) {
        done += static_cast<std::size_t>(written);
      } else if (written == 0 || errno != EINTR) {
        give_up(written == 0 ? ENOSPC : errno);
      }
    }
    length += static_cast<off_t>(size);
  }

  [[noreturn]] void give_up(int error) {
    fault = name + ": the trace cannot be written: " + words_of(error) + "; what was recorded before is kept";
    // Half a block would be read as damage. Where cutting it off is not possible (a pipe, a device) it stays.
    if (::ftruncate(descriptor, length) != 0) fault += ", with a damaged end";
    throw base::RunFault(fault);
  }

  std::string name;
  int descriptor{-1};
  off_t length{0};  // of the whole blocks
  std::string fault;
  base::Sha256 hash;
  Deflater deflater;
  proto::TraceBlock outer;          // carries a deflated block
  std::vector<std::uint8_t> plain;  // head and block; the same buffer goes to the operating system
  std::vector<std::uint8_t> packed;
};

BlockWriter::BlockWriter(const std::filesystem::path& file) : impl_{std::make_unique<Impl>()} {
  if (!file.empty()) impl_->open(file);
}

BlockWriter::~BlockWriter() {
  if (impl_->descriptor >= 0) ::close(impl_->descriptor);
}

void BlockWriter::write(const proto::TraceBlock& block, Counts counts) {
  Impl& w = *impl_;
  serialise(block, w.plain, kBlockHeadBytes);
  const std::span<const std::uint8_t> bytes = std::span{w.plain}.subspan(kBlockHeadBytes);
  if (counts == Counts::kYes) w.hash.update(bytes);
  if (w.descriptor < 0) return;
  std::vector<std::uint8_t>* chosen = &w.plain;
  if (counts == Counts::kYes) {
    const std::string_view deflated = w.deflater.deflated(bytes);
    w.outer.mutable_deflated()->assign(deflated.data(), deflated.size());
    serialise(w.outer, w.packed, kBlockHeadBytes);
    if (w.packed.size() < w.plain.size()) chosen = &w.packed;
  }
  const std::size_t size = chosen->size() - kBlockHeadBytes;
  const uLong crc = crc32(crc32(0, nullptr, 0), chosen->data() + kBlockHeadBytes, static_cast<uInt>(size));
  put_word(chosen->data(), static_cast<std::uint32_t>(size));
  put_word(chosen->data() + 4, static_cast<std::uint32_t>(crc));
  w.append(chosen->data(), chosen->size());
}

std::string BlockWriter::content_sha256() const {
  return impl_->hash.hex();
}

}  // namespace dawnrig::trace
