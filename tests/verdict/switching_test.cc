#include <gtest/gtest.h>

#include "tests/verdict/samples.h"

namespace dawnrig::verdict {
namespace {

using namespace std::chrono_literals;
using trace::Signal;

TEST(LastOn, IsWhenTheGateWentOffForGood) {
  LastOn last_on{Signal::kGate};
  run(last_on, Signal::kGate, {{10, 1}, {10.2, 0}, {10.5, 1}, {10.7, 0}, {30, 0}});
  EXPECT_NEAR(last_on.figure().value, 0.7, 1e-12);
  EXPECT_EQ(last_on.figure().worst, 10700ms);
  EXPECT_FALSE(last_on.figure().cut_off);
}

TEST(LastOn, StillOnAtTheEndIsTheWholeWatchAndSaysSo) {
  LastOn last_on{Signal::kGate};
  run(last_on, Signal::kGate, {{10, 0}, {15, 1}, {30, 1}});
  EXPECT_DOUBLE_EQ(last_on.figure().value, 20);
  EXPECT_TRUE(last_on.figure().cut_off);
  EXPECT_FALSE(last_on.figure().note.empty());
}

TEST(LastOn, OfASwitchThatWasNeverOnHoldsUnlessAskedOtherwise) {
  LastOn holds{Signal::kGate};
  LastOn vacuous{Signal::kGate, IfNeverOn::kVacuous};
  run(holds, Signal::kGate, {{10, 0}, {30, 0}});
  run(vacuous, Signal::kGate, {{10, 0}, {30, 0}});
  EXPECT_EQ(holds.figure().value, 0);
  EXPECT_EQ(holds.figure().exercised, 2);
  EXPECT_EQ(vacuous.figure().exercised, 0);
}

TEST(OnTime, AddsWhatTheSwitchHeld) {
  OnTime on{Signal::kGate, Limit{.highest = 0.3, .unit = "s"}};
  run(on, Signal::kGate, {{0, 1}, {0.25, 0}, {1, 1}, {1.25, 0}, {2, 0}});
  EXPECT_NEAR(on.figure().value, 0.5, 1e-12);
  EXPECT_EQ(on.figure().worst, 1250ms);
  EXPECT_EQ(on.figure().first_offence->time, 1250ms);
}

TEST(OnFraction, IsTheDuty) {
  OnFraction duty{Signal::kGate};
  run(duty, Signal::kGate, {{0, 1}, {0.25, 0}, {1, 0}});
  EXPECT_DOUBLE_EQ(duty.figure().value, 0.25);
}

TEST(Toggles, CountsEveryChangeAndNotesTheOneTooMany) {
  Toggles toggles{Signal::kLoadSwitch, Limit{.highest = 2, .unit = "1"}};
  run(toggles, Signal::kLoadSwitch, {{0, 1}, {1, 0}, {2, 0}, {3, 1}, {4, 0}, {5, 1}});
  EXPECT_DOUBLE_EQ(toggles.figure().value, 4);
  EXPECT_EQ(toggles.figure().first_offence->time, 4s);
  EXPECT_DOUBLE_EQ(toggles.figure().first_offence->value, 3);
  EXPECT_EQ(toggles.figure().worst, 5s);
}

TEST(ValueAtSwitching, IsTheVoltageTheDeviceActedOnNotTheJumpAfterIt) {
  ValueAtSwitching at{{}, Signal::kLoadSwitch, Edge::kOff};
  const auto feed = [&](double time_s, double volts, double on) {
    trace::Sample sample = sample_at(time_s, Signal::kTerminalV, volts);
    sample[Signal::kLoadSwitch] = on;
    at.on_sample(sample);
  };
  feed(0, 24.0, 0);
  feed(1, 23.0, 1);
  feed(2, 22.1, 1);
  feed(2, 22.9, 0);  // relieved of the load, the voltage jumps up
  feed(3, 22.0, 1);
  feed(4, 21.0, 0);
  EXPECT_DOUBLE_EQ(at.figure().value, 22.1);
  EXPECT_EQ(at.figure().worst, 2s);
  EXPECT_EQ(at.figure().exercised, 2);
}

TEST(ValueAtSwitching, OfASwitchThatNeverDidIsVacuous) {
  ValueAtSwitching at{{}, Signal::kLoadSwitch, Edge::kOff};
  run(at, Signal::kLoadSwitch, {{0, 0}, {1, 1}, {9, 1}});
  EXPECT_EQ(at.figure().exercised, 0);
}

}  // namespace
}  // namespace dawnrig::verdict
