#include "harness/link/sequence.h"

namespace dawnrig::link {

void SequenceWatch::restart() {
  newest_.reset();
  stray_.reset();
  seen_ = 0;
}

SequenceWatch::Kind SequenceWatch::see(std::uint16_t number) {
  if (!newest_) {
    newest_ = number;
    seen_ = ~std::uint64_t{0};  // what came before was never missed
    ++counts_.newest;
    return Kind::kNewest;
  }
  const int ahead = static_cast<std::int16_t>(static_cast<std::uint16_t>(number - *newest_));
  if (ahead > 0 && ahead <= kRestartGap) {
    seen_ = ahead >= kWindow ? 1 : (seen_ << static_cast<unsigned>(ahead)) | 1U;
    counts_.lost += ahead - 1;
    newest_ = number;
    ++counts_.newest;
    return Kind::kNewest;
  }
  if (ahead <= 0 && ahead > -kWindow) {
    const std::uint64_t bit = std::uint64_t{1} << static_cast<unsigned>(-ahead);
    if ((seen_ & bit) != 0) {
      ++counts_.duplicates;
      return Kind::kDuplicate;
    }
    seen_ |= bit;
    ++counts_.late;
    --counts_.lost;
    return Kind::kLate;
  }
  const bool follows = stray_ && number == static_cast<std::uint16_t>(*stray_ + 1);
  stray_ = number;
  if (!follows) {
    ++counts_.late;
    return Kind::kLate;
  }
  stray_.reset();
  newest_ = number;
  seen_ = ~std::uint64_t{0};
  ++counts_.newest;
  ++counts_.restarts;
  return Kind::kRestarted;
}

}  // namespace dawnrig::link
