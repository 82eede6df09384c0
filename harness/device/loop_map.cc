#include "harness/device/loop_map.h"

#include <algorithm>
#include <optional>

#include "harness/device/instruction.h"

namespace dawnrig::device {
namespace {

constexpr std::uint32_t kLongestBytes = 4096;  // a main loop; anything longer is hardly idle as a whole

std::uint16_t word_at(std::span<const std::uint8_t> flash, std::size_t at) {
  return at + 1 < flash.size() ? static_cast<std::uint16_t>(flash[at] | (flash[at + 1] << 8)) : std::uint16_t{0};
}

std::optional<LoopMap::Loop> loop_closed_at(std::span<const std::uint8_t> flash, std::uint32_t at,
                                            std::uint32_t flash_bytes) {
  const Instruction one = taken_apart(at, word_at(flash, at), word_at(flash, at + 2U), flash_bytes);
  const bool jumps = one.operation == Operation::kJump || one.operation == Operation::kBranchIfSet ||
                     one.operation == Operation::kBranchIfClear;
  const bool restarts = one.k == 0;
  if (!jumps || restarts || one.k > at || at - one.k > kLongestBytes) {
    return std::nullopt;
  }
  return LoopMap::Loop{one.k, at + one.bytes, LoopMap::kNone};
}

}  // namespace

LoopMap::LoopMap(std::span<const std::uint8_t> flash, std::uint32_t flash_bytes)
    : innermost_(flash.size() / 2U, kNone) {
  for (std::uint32_t at = 0; at + 1 < flash.size(); at += 2) {
    if (const auto loop = loop_closed_at(flash, at, flash_bytes)) {
      loops_.push_back(*loop);
    }
  }
  // From large to small, so that the smallest has the last word; of several jumps to one head the farthest comes first.
  std::stable_sort(loops_.begin(), loops_.end(),
                   [](const Loop& a, const Loop& b) { return a.end - a.head > b.end - b.head; });
  for (std::size_t i = 0; i < loops_.size(); ++i) {
    Loop& loop = loops_[i];
    const int around_head = around(loop.head);
    for (int outer = around_head; outer != kNone && loop.outer == kNone; outer = at(outer).outer) {
      loop.outer = at(outer).end >= loop.end ? outer : kNone;
    }
    for (std::size_t word = loop.head / 2U; word < loop.end / 2U && word < innermost_.size(); ++word) {
      innermost_[word] = static_cast<int>(i);
    }
  }
}

}  // namespace dawnrig::device
