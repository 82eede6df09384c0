#include "harness/link/memory_stream.h"

#include <algorithm>

namespace dawnrig::link {

std::size_t MemoryStream::Ring::put(std::span<const std::uint8_t> bytes) {
  const std::size_t taken = std::min(bytes.size(), bytes_.size() - size_);
  for (std::size_t i = 0; i < taken; ++i) {
    bytes_[(first_ + size_++) % bytes_.size()] = bytes[i];
  }
  return taken;
}

std::size_t MemoryStream::Ring::take(std::span<std::uint8_t> into) {
  const std::size_t given = std::min(into.size(), size_);
  for (std::size_t i = 0; i < given; ++i) {
    into[i] = bytes_[first_];
    first_ = (first_ + 1) % bytes_.size();
  }
  size_ -= given;
  return given;
}

std::pair<std::unique_ptr<MemoryStream>, std::unique_ptr<MemoryStream>> MemoryStream::line(std::size_t capacity_bytes) {
  auto line = std::make_shared<Line>(capacity_bytes);
  return {std::unique_ptr<MemoryStream>{new MemoryStream{line, 0}},
          std::unique_ptr<MemoryStream>{new MemoryStream{line, 1}}};
}

std::size_t MemoryStream::read(std::span<std::uint8_t> into) {
  return state() == LineState::kUp ? line_->way[1 - end_].take(into) : 0;
}

std::size_t MemoryStream::write(std::span<const std::uint8_t> bytes) {
  return state() == LineState::kUp ? line_->way[end_].put(bytes) : 0;
}

LineState MemoryStream::state() const {
  return line_->plugged && cuts_known_ == line_->cuts ? LineState::kUp : LineState::kGone;
}

bool MemoryStream::reopen() {
  if (line_->plugged) {
    cuts_known_ = line_->cuts;
  }
  return line_->plugged;
}

const std::string& MemoryStream::name() const {
  static const std::string name{"in memory"};
  return name;
}

void MemoryStream::unplug() {
  line_->plugged = false;
  ++line_->cuts;
  line_->way[0].clear();
  line_->way[1].clear();
}

void MemoryStream::plug_in() {
  line_->plugged = true;
}

}  // namespace dawnrig::link
