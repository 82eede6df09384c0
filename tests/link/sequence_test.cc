// What a receiver makes of numbered frames that get lost, overtake one another or come twice.
#include "harness/link/sequence.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <random>
#include <vector>

namespace dawnrig::link {
namespace {

using Kind = SequenceWatch::Kind;

TEST(SequenceWatch, CountsOnThroughTheWrap) {
  SequenceWatch watch;
  for (std::uint32_t i = 0; i < 200'000; ++i) {
    ASSERT_EQ(watch.see(static_cast<std::uint16_t>(65'000 + i)), Kind::kNewest) << i;
  }
  EXPECT_EQ(watch.counts().lost, 0);
  EXPECT_EQ(watch.counts().newest, 200'000);
}

TEST(SequenceWatch, CountsAGapAsLostAndTakesItBackWhenTheFrameComesLate) {
  SequenceWatch watch;
  watch.see(65'534);
  EXPECT_EQ(watch.see(1), Kind::kNewest);
  EXPECT_EQ(watch.counts().lost, 2);
  EXPECT_EQ(watch.see(65'535), Kind::kLate);
  EXPECT_EQ(watch.see(65'535), Kind::kDuplicate);
  EXPECT_EQ(watch.see(1), Kind::kDuplicate);
  EXPECT_EQ(watch.counts().lost, 1);
  EXPECT_EQ(watch.counts().late, 1);
  EXPECT_EQ(watch.counts().duplicates, 2);
}

TEST(SequenceWatch, KnowsABoardThatBeganAnew) {
  SequenceWatch watch;
  watch.see(40'000);
  EXPECT_EQ(watch.see(0), Kind::kLate) << "a single one may have been on its way for long";
  EXPECT_EQ(watch.see(1), Kind::kRestarted);
  EXPECT_EQ(watch.see(2), Kind::kNewest);
  EXPECT_EQ(watch.counts().restarts, 1);
}

TEST(SequenceWatch, AccountsForEveryFrameOfAnUnrulyLine) {
  std::mt19937_64 draw{7};
  std::vector<std::uint16_t> line;
  std::int64_t lost = 0;
  std::int64_t doubled = 0;
  for (int i = 0; i < 30'000; ++i) {
    const std::uint64_t fate = draw() % 20;
    if (fate == 0 && i > 0 && i < 29'900) {
      ++lost;
      continue;
    }
    line.push_back(static_cast<std::uint16_t>(i));
    if (fate == 1) {
      line.push_back(static_cast<std::uint16_t>(i));
      ++doubled;
    }
  }
  for (std::size_t i = 10; i + 1 < line.size(); i += 7) {
    std::swap(line[i], line[i + 1]);
  }
  SequenceWatch watch;
  for (const std::uint16_t number : line) watch.see(number);
  EXPECT_EQ(watch.counts().lost, lost);
  EXPECT_EQ(watch.counts().duplicates, doubled);
  EXPECT_EQ(watch.counts().restarts, 0);
  EXPECT_EQ(watch.counts().newest + watch.counts().late + watch.counts().duplicates,
            static_cast<std::int64_t>(line.size()));
}

}  // namespace
}  // namespace dawnrig::link
