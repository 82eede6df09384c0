#include "harness/link/frame.h"

#include <algorithm>
#include <boost/crc.hpp>

namespace dawnrig::link {

std::uint16_t crc_of(std::span<const std::uint8_t> bytes) {
  boost::crc_optimal<16, 0x1021, 0xFFFF, 0, false, false> crc;
  crc.process_bytes(bytes.data(), bytes.size());
  return static_cast<std::uint16_t>(crc.checksum());
}

std::optional<WireFrame> framed(std::span<const std::uint8_t> payload) {
  if (payload.size() > kMostPayloadBytes) {
    return std::nullopt;
  }
  const std::uint16_t crc = crc_of(payload);
  WireFrame wire;
  std::size_t code_at = 0;  // where the length of the present block goes
  wire.size = 1;
  const auto put = [&](std::uint8_t byte) {
    if (byte == 0) {
      wire.bytes[code_at] = static_cast<std::uint8_t>(wire.size - code_at);
      code_at = wire.size++;
    } else {
      wire.bytes[wire.size++] = byte;
    }
  };
  for (const std::uint8_t byte : payload) {
    put(byte);
  }
  put(static_cast<std::uint8_t>(crc & 0xFFU));
  put(static_cast<std::uint8_t>(crc >> 8U));
  wire.bytes[code_at] = static_cast<std::uint8_t>(wire.size - code_at);
  wire.bytes[wire.size++] = 0;
  return wire;
}

void FrameDecoder::restart() {
  size_ = 0;
  overlong_ = false;
}

std::optional<std::span<const std::uint8_t>> FrameDecoder::take(std::uint8_t byte) {
  if (byte == 0) {
    const auto payload = ended();
    restart();
    return payload;
  }
  if (size_ + 1 >= raw_.size()) {
    overlong_ = true;  // counted once, when it ends
    return std::nullopt;
  }
  raw_[size_++] = byte;
  return std::nullopt;
}

std::optional<std::span<const std::uint8_t>> FrameDecoder::ended() {
  if (overlong_) {
    ++counts_.too_long;
    return std::nullopt;
  }
  if (size_ == 0) {
    return std::nullopt;
  }
  // In place: what is written is always behind what is read.
  std::size_t written = 0;
  std::size_t at = 0;
  while (at < size_) {
    const std::size_t next = at + raw_[at];
    if (next > size_) {
      ++counts_.bad_stuffing;
      return std::nullopt;
    }
    for (++at; at < next; ++at) {
      raw_[written++] = raw_[at];
    }
    if (at < size_) {
      raw_[written++] = 0;  // blocks are shorter than 255 here, so each but the last stands for a zero
    }
  }
  if (written <= kCrcBytes) {
    ++counts_.too_short;
    return std::nullopt;
  }
  const std::size_t length = written - kCrcBytes;
  const unsigned sent = raw_[length] | static_cast<unsigned>(raw_[length + 1]) << 8U;
  if (crc_of({raw_.data(), length}) != sent) {
    ++counts_.bad_crc;
    return std::nullopt;
  }
  ++counts_.good;
  return std::span<const std::uint8_t>{raw_.data(), length};
}

}  // namespace dawnrig::link
