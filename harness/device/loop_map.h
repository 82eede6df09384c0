// Where the loops of an image are: every jump backwards closes one. Says only where idling is worth looking for;
// whether a loop idles shows at run time. Room: harness/device. Knows nothing of the simulator.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

namespace dawnrig::device {

class LoopMap {
 public:
  static constexpr int kNone = -1;

  struct Loop {
    std::uint32_t head{0};  ///< byte address of the jump's target
    std::uint32_t end{0};   ///< first byte behind the jump
    int outer{kNone};       ///< the smallest loop that holds all of this one
  };

  /// Looks at every word of `flash`. Data among the code may look like loops that nobody ever enters.
  explicit LoopMap(std::span<const std::uint8_t> flash, std::uint32_t flash_bytes);

  /// The smallest loop around the instruction at byte address `pc`, or kNone.
  [[nodiscard]] int around(std::uint32_t pc) const {
    const std::size_t word = pc / 2U;
    return word < innermost_.size() ? innermost_[word] : kNone;
  }
  [[nodiscard]] const Loop& at(int index) const { return loops_[static_cast<std::size_t>(index)]; }
  [[nodiscard]] std::size_t size() const { return loops_.size(); }

 private:
  std::vector<Loop> loops_;
  std::vector<int> innermost_;  ///< per word of flash
};

}  // namespace dawnrig::device
