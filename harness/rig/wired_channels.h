// Which of a board's sense networks hangs on each channel of its converter. Room: harness/rig. May use harness/profile.
#pragma once

#include <cstddef>
#include <vector>

#include "harness/profile/profile.h"

namespace dawnrig::rig {

/// Looked up at each conversion, thousands of times a second.
class WiredChannels {
 public:
  static constexpr std::size_t kNone = static_cast<std::size_t>(-1);

  explicit WiredChannels(const profile::BoardProfile& board) {
    for (std::size_t i = 0; i < board.sense.size(); ++i) {
      if (board.sense[i].adc_channel < 0) continue;
      const auto channel = static_cast<std::size_t>(board.sense[i].adc_channel);
      if (channel >= sense_.size()) sense_.resize(channel + 1, kNone);
      if (sense_[channel] == kNone) sense_[channel] = i;  // of several the first
    }
  }

  /// By its place in the board's profile; kNone where nothing is wired.
  [[nodiscard]] std::size_t sense_at(int channel) const {
    const auto of = static_cast<std::size_t>(channel);
    return of < sense_.size() ? sense_[of] : kNone;
  }

 private:
  std::vector<std::size_t> sense_;
};

}  // namespace dawnrig::rig
