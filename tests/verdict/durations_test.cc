#include <gtest/gtest.h>

#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;

TEST(TimeAbove, CountsCrossingsOfStraightLinesExactly) {
  TimeAbove above{{}, 29.0};
  run(above, {{0, 28}, {2, 30}, {4, 28}});  // above 29 V from 1 s to 3 s
  EXPECT_NEAR(above.figure().value, 2.0, 1e-12);
  EXPECT_EQ(above.figure().worst, 2s);
}

TEST(TimeAbove, OnTheValueIsNotAbove) {
  TimeAbove above{{}, 29.0};
  run(above, {{0, 29}, {5, 29}});
  EXPECT_EQ(above.figure().value, 0);
  EXPECT_EQ(above.figure().exercised, 2);
  EXPECT_EQ(above.figure().worst, 5s) << "never beyond: the end of the watch";
}

TEST(TimeAbove, NotesWhenTheAllowedTimeWasUsedUp) {
  TimeAbove above{{.limit = Limit{.highest = 1.0, .unit = "s"}}, 29.0};
  run(above, {{0, 30}, {0.5, 30}, {1.5, 30}, {2.5, 30}});
  ASSERT_TRUE(above.figure().first_offence);
  EXPECT_EQ(above.figure().first_offence->time, 1500ms);
  EXPECT_NEAR(above.figure().first_offence->value, 1.5, 1e-12);
}

TEST(TimeBelow, CountsOnlyWhatLiesBelow) {
  TimeBelow below{{}, 22.0};
  run(below, {{0, 24}, {1, 24}, {1, 20}, {1.5, 20}, {1.5, 24}, {9, 24}});
  EXPECT_NEAR(below.figure().value, 0.5, 1e-12);
}

TEST(TimeAbove, OfAveragesCountsWholeWindows) {
  TimeAbove above{{.average_over = 1s}, 29.0};
  run(above, {{0, 28}, {0.5, 28}, {0.5, 31}, {1, 31}, {1, 28}, {3, 28}});  // first mean 29.5 V
  EXPECT_NEAR(above.figure().value, 1.0, 1e-12);
}

TEST(SettlingTime, EndsWhereTheLineEntersTheBandForGood) {
  SettlingTime settling{{}, 28.5, 29.1};
  run(settling, {{10, 26}, {12, 30.1}, {14, 28.1}, {16, 29.1}, {30, 28.8}});
  // It leaves through the floor after 12 s and comes back on the line from 28.1 V at 14 s to 29.1 V at 16 s.
  EXPECT_NEAR(settling.figure().value, 4.8, 1e-9);
  EXPECT_EQ(settling.figure().worst, 14800ms);
  EXPECT_FALSE(settling.figure().cut_off);
}

TEST(SettlingTime, OfASignalThatNeverLeftIsZero) {
  SettlingTime settling{{}, 28, 30};
  run(settling, {{10, 29}, {20, 29.5}});
  EXPECT_EQ(settling.figure().value, 0);
  EXPECT_EQ(settling.figure().exercised, 2);
}

TEST(SettlingTime, NeverSettledIsTheWholeWatchAndSaysSo) {
  SettlingTime settling{{}, 28, 30};
  run(settling, {{10, 29}, {20, 29.5}, {25, 31}});
  EXPECT_DOUBLE_EQ(settling.figure().value, 15);
  EXPECT_TRUE(settling.figure().cut_off);
  EXPECT_FALSE(settling.figure().note.empty());
}

TEST(SettlingTime, AJumpAcrossTheWholeBandIsOutside) {
  SettlingTime settling{{}, 28, 30};
  run(settling, {{0, 27}, {1, 27}, {1, 31}, {2, 31}, {2, 29}, {5, 29}});
  EXPECT_DOUBLE_EQ(settling.figure().value, 2);
}

TEST(FirstCrossing, IsTheInstantOnTheLine) {
  FirstCrossing crossing{{}, Side::kAbove, 29.0};
  run(crossing, {{5, 28}, {7, 30}, {8, 20}, {9, 40}});
  EXPECT_NEAR(crossing.figure().value, 1.0, 1e-9);
  EXPECT_EQ(crossing.figure().worst, 6s);
  EXPECT_EQ(crossing.figure().exercised, 1);
}

TEST(FirstCrossing, FromTheStartIsZero) {
  FirstCrossing crossing{{}, Side::kBelow, 29.0};
  run(crossing, {{5, 28}, {7, 30}});
  EXPECT_EQ(crossing.figure().value, 0);
  EXPECT_EQ(crossing.figure().exercised, 1);
}

TEST(FirstCrossing, OfASwitchIsItsEdge) {
  FirstCrossing off{{.signal = trace::Signal::kLoadSwitch}, Side::kBelow, 0.5};
  run(off, trace::Signal::kLoadSwitch, {{0, 1}, {3, 1}, {4, 0}});
  EXPECT_DOUBLE_EQ(off.figure().value, 4);
}

TEST(FirstCrossing, ThatNeverCameIsVacuousUnlessTheWatchIsToCount) {
  FirstCrossing vacuous{{}, Side::kAbove, 29.0};
  FirstCrossing whole{{}, Side::kAbove, 29.0, IfNever::kWholeWatch};
  run(vacuous, {{0, 28}, {60, 29}});
  run(whole, {{0, 28}, {60, 29}});
  EXPECT_EQ(vacuous.figure().exercised, 0);
  EXPECT_EQ(whole.figure().exercised, 2);
  EXPECT_DOUBLE_EQ(whole.figure().value, 60);
  EXPECT_TRUE(whole.figure().cut_off);
}

TEST(FirstCrossing, OfAnAverageIsTheEndOfItsWindow) {
  FirstCrossing crossing{{.average_over = 1s}, Side::kAbove, 29.0};
  run(crossing, {{0, 28}, {1, 28}, {1, 30}, {3, 30}});
  EXPECT_DOUBLE_EQ(crossing.figure().value, 2);
}

}  // namespace
}  // namespace dawnrig::verdict
