#include <zlib.h>

#include <algorithm>
#include <array>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/trace/block_format.h"
#include "harness/trace/block_reader_internal.h"
#include "trace.pb.h"

namespace dawnrig::trace {
namespace {

std::uint32_t word_at(const char* from) {
  std::uint32_t word = 0;
  for (unsigned i = 0; i < 4; ++i) word |= std::uint32_t{static_cast<unsigned char>(from[i])} << (8U * i);
  return word;
}

const Bytef* as_bytes(const std::string& text) {
  return reinterpret_cast<const Bytef*>(text.data());
}

/// False: damaged, or larger than any writer makes them.
bool inflated(const std::string& packed, std::string& into) {
  z_stream stream{};
  if (inflateInit(&stream) != Z_OK) throw base::RunFault("out of memory for reading a trace");
  stream.next_in = const_cast<Bytef*>(as_bytes(packed));  // zlib does not write to it
  stream.avail_in = static_cast<uInt>(packed.size());
  into.clear();
  std::array<char, 1U << 14U> piece{};
  int outcome = Z_OK;
  while (outcome == Z_OK && into.size() <= kMostBlockBytes) {
    stream.next_out = reinterpret_cast<Bytef*>(piece.data());
    stream.avail_out = static_cast<uInt>(piece.size());
    outcome = inflate(&stream, Z_NO_FLUSH);
    into.append(piece.data(), piece.size() - stream.avail_out);
  }
  inflateEnd(&stream);
  return outcome == Z_STREAM_END && into.size() <= kMostBlockBytes;
}

}  // namespace

BlockReader::BlockReader(const std::filesystem::path& file) {
  base::demand_readable(file);
  in_.open(file, std::ios::binary);
  std::array<char, kMagic.size()> magic{};
  in_.read(magic.data(), magic.size());
  const auto count = static_cast<std::size_t>(in_.gcount());
  if (count == 0) throw base::BadInput(file.string(), "is empty, must be a trace");
  if (!kMagic.starts_with(std::string_view{magic.data(), count})) {
    throw base::BadInput(file.string(), "is not a trace (a trace begins with " + std::string{kMagic} + ")");
  }
  // A file cut off within these bytes has no more to give: next() finds no header.
}

bool BlockReader::next(proto::TraceBlock& block, std::string& serialised) {
  std::array<char, kBlockHeadBytes> head{};
  if (!in_.read(head.data(), head.size())) return false;
  const std::uint32_t size = word_at(head.data());
  if (size > kMostBlockBytes) return false;
  raw_.resize(size);
  if (!in_.read(raw_.data(), static_cast<std::streamsize>(size))) return false;
  if (crc32(crc32(0, nullptr, 0), as_bytes(raw_), static_cast<uInt>(size)) != word_at(head.data() + 4)) return false;
  if (!block.ParseFromString(raw_)) return false;
  if (block.content_case() != proto::TraceBlock::kDeflated) {
    serialised = raw_;
    return true;
  }
  if (!inflated(block.deflated(), serialised)) return false;
  return block.ParseFromString(serialised) && block.content_case() != proto::TraceBlock::kDeflated;
}

}  // namespace dawnrig::trace
