#include "harness/trace/window_keeper.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <vector>

#include "tests/trace/trace_files.h"

namespace dawnrig::trace {
namespace {

using ::testing::ElementsAre;

struct Kept {
  std::vector<double> t_ms, v, gate;
};

// Puts the pieces together again, as a reader of the file does.
class Windows : public ::testing::Test {
 protected:
  void sample(double t_ms, double v = 0, double gate = 0) {
    Sample sample;
    sample.time = ms(t_ms);
    sample[Signal::kTerminalV] = v;
    sample[Signal::kGate] = gate;
    keeper_.add(sample);
  }
  void samples(int from_ms, int to_ms) {
    for (int t = from_ms; t <= to_ms; ++t) sample(t, t);
  }
  const std::vector<Kept>& kept() {
    keeper_.flush();
    return kept_;
  }
  void take(const WindowPiece& piece) {
    ASSERT_EQ(piece.value.size(), piece.time_ns.size() * kSignalCount);
    if (!piece.continues) kept_.emplace_back();
    ASSERT_FALSE(kept_.empty()) << "a piece that goes on from nothing";
    for (std::size_t i = 0; i < piece.time_ns.size(); ++i) {
      kept_.back().t_ms.push_back(static_cast<double>(piece.time_ns[i]) * 1e-6);
      kept_.back().v.push_back(static_cast<double>(piece.value[i * kSignalCount]));
      kept_.back().gate.push_back(static_cast<double>(piece.value[i * kSignalCount + 7]));
    }
    ++pieces_;
  }

  std::vector<Kept> kept_;
  int pieces_{0};
  WindowKeeper keeper_{ms(3), [this](const WindowPiece& piece) { take(piece); }};
};

TEST_F(Windows, AreNotThereWithoutAnEvent) {
  samples(0, 10'000);
  EXPECT_TRUE(kept().empty());
}

TEST_F(Windows, ReachAsFarBeforeTheEventAsAfterIt) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  samples(51, 100);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(47, 48, 49, 50, 51, 52, 53));
  EXPECT_EQ(kept()[0].v, kept()[0].t_ms);
}

TEST_F(Windows, BeginAndEndOnTheLineWhereNoSampleFalls) {
  for (const int t : {0, 10, 20}) sample(t, t, 1);
  keeper_.trigger(ms(21));
  for (const int t : {30, 40}) sample(t, t, 0);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(18, 20, 24));
  EXPECT_THAT(kept()[0].v, ElementsAre(18, 20, 24));
  EXPECT_THAT(kept()[0].gate, ElementsAre(1, 1, 1)) << "a switch holds until the next sample";
}

TEST_F(Windows, BeginOnTheLineAlsoWhenNothingWasSampledForLong) {
  sample(0, 0);
  keeper_.trigger(ms(500));
  sample(1000, 1000);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(497, 503));
  EXPECT_THAT(kept()[0].v, ElementsAre(497, 503));
}

TEST_F(Windows, BeginWithTheFirstSampleIfTheRunIsYounger) {
  keeper_.trigger(ms(0));
  samples(0, 10);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(0, 1, 2, 3));
}

TEST_F(Windows, KeepBothSamplesOfAJump) {
  for (const int t : {0, 1, 2}) sample(t, 12);
  sample(2, 14, 1);
  keeper_.trigger(ms(2));
  samples(5, 9);
  EXPECT_THAT(kept().at(0).t_ms, ElementsAre(0, 1, 2, 2, 5));
  EXPECT_THAT(kept().at(0).v, ElementsAre(12, 12, 12, 14, 5));
}

TEST_F(Windows, BecomeOneWhenASecondEventFallsIntoTheFirst) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  samples(51, 52);
  keeper_.trigger(ms(52));
  samples(53, 60);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(47, 48, 49, 50, 51, 52, 53, 54, 55));
}

TEST_F(Windows, BecomeOneWhenTheSecondReachesBackIntoTheFirst) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  samples(51, 55);
  keeper_.flush();
  keeper_.trigger(ms(55));
  samples(56, 70);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(47, 48, 49, 50, 51, 52, 53, 54, 55, 56, 57, 58))
      << "no sample twice, none left out";
}

TEST_F(Windows, BecomeOneWhenTheSecondBeginsWhereTheFirstEnded) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  samples(51, 56);
  keeper_.trigger(ms(56));
  samples(57, 70);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(47, 48, 49, 50, 51, 52, 53, 54, 55, 56, 57, 58, 59));
}

TEST_F(Windows, AreNotCutShortByAnEventThatIsToldLate) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  samples(51, 51);
  keeper_.trigger(ms(40));
  samples(52, 60);
  EXPECT_EQ(kept().at(0).t_ms.back(), 53);
}

TEST_F(Windows, StayTwoWhenTheyDoNotTouch) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  samples(51, 57);
  keeper_.trigger(ms(57));
  samples(58, 70);
  ASSERT_EQ(kept().size(), 2U);
  EXPECT_THAT(kept()[0].t_ms, ElementsAre(47, 48, 49, 50, 51, 52, 53));
  EXPECT_THAT(kept()[1].t_ms, ElementsAre(54, 55, 56, 57, 58, 59, 60));
}

TEST_F(Windows, OfAnEventThatIsToldLateHaveItStill) {
  samples(0, 50);
  keeper_.trigger(ms(48));
  samples(51, 60);
  EXPECT_THAT(kept().at(0).t_ms, ElementsAre(45, 46, 47, 48, 49, 50, 51));
}

TEST_F(Windows, OfAnEventLongPastHaveWhatIsLeft) {
  samples(0, 50);
  keeper_.trigger(ms(30));
  samples(51, 60);
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_EQ(kept()[0].t_ms.front(), 27);
  EXPECT_EQ(kept()[0].t_ms.back(), 50);
}

TEST_F(Windows, ComeInPiecesWhenTheyAreLong) {
  samples(0, 0);
  for (int t = 0; t < 5000; ++t) {
    if (t % 2 == 0) keeper_.trigger(ms(t));
    sample(t + 1, t + 1);
  }
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_GE(pieces_, 4);
  ASSERT_EQ(kept()[0].t_ms.size(), 5001U);
  for (int t = 0; t <= 5000; ++t) ASSERT_EQ(kept()[0].t_ms[static_cast<std::size_t>(t)], t);
}

TEST_F(Windows, OfAPastWithMoreSamplesThanTheRingHoldsHaveTheLatest) {
  for (int i = 0; i <= 10'000; ++i) sample(0.0001 * i, i);
  keeper_.trigger(ms(1));
  ASSERT_EQ(kept().size(), 1U);
  EXPECT_EQ(kept()[0].v.size(), 2048U);
  EXPECT_EQ(kept()[0].v.back(), 10'000);
}

TEST_F(Windows, StayTwoWhenTheRingHasLostWhatWasBetween) {
  samples(0, 50);
  keeper_.trigger(ms(50));
  sample(53.5, 1);
  for (int i = 1; i <= 5000; ++i) sample(53.5 + 0.0001 * i, i);
  keeper_.trigger(ms(54.5));
  EXPECT_EQ(kept().size(), 2U) << "a line across the gap would be an invention";
}

}  // namespace
}  // namespace dawnrig::trace
