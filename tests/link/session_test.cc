// A session over a line in memory: frames lost, doubled, out of order and bent, a cable pulled, a board that restarts.
#include "harness/link/session.h"

#include <gtest/gtest.h>

#include <random>
#include <vector>

#include "harness/link/memory_stream.h"
#include "tests/link/scripted_board.h"

namespace dawnrig::link {
namespace {

using namespace std::chrono_literals;

class Heard final : public Listener {
 public:
  void on_report(const TimedReport& report) override { reports.push_back(report); }
  void on_answer(const FromBoard& answer) override { answers.push_back(answer); }
  std::vector<TimedReport> reports;
  std::vector<FromBoard> answers;
};

class Conversation : public ::testing::Test {
 protected:
  Conversation() : line_{MemoryStream::line()}, session_{*line_.first}, board_{*line_.second} {}
  std::pair<std::unique_ptr<MemoryStream>, std::unique_ptr<MemoryStream>> line_;
  Session session_;
  ScriptedBoard board_;
  Heard heard_;
};

TEST_F(Conversation, TicksArriveNumberedAndReportsComeBackTimed) {
  for (int i = 0; i < 100; ++i) {
    const Nanos now = 10s + i * 1ms;
    ASSERT_TRUE(session_.send_tick({}, now));
    board_.hear();
    board_.report(i * 1ms);
    ASSERT_TRUE(session_.pump(now + 400us, heard_));
  }
  ASSERT_EQ(board_.ticks.size(), 100U);
  EXPECT_EQ(board_.ticks.front().sequence, 1);
  EXPECT_EQ(board_.ticks.back().sequence, 100);
  ASSERT_EQ(heard_.reports.size(), 100U);
  EXPECT_EQ(heard_.reports.back().board, Nanos{99ms});
  EXPECT_EQ(heard_.reports.back().received, 10s + 99ms + 400us);
  EXPECT_EQ(session_.counts().round_trip.count, 100);
  EXPECT_EQ(session_.counts().round_trip.most, Nanos{400us});
}

TEST_F(Conversation, OnlyTheNewestReportCountsHoweverTheLineMistreatsThem) {
  std::mt19937_64 draw{11};
  std::vector<std::vector<std::uint8_t>> waiting;
  Nanos latest{-1};
  for (int i = 0; i < 5000; ++i) {
    auto frame = board_.report_frame(i * 1ms);
    const std::uint64_t fate = draw() % 12;
    if (fate == 0) frame[draw() % frame.size()] ^= 0x40;  // bent
    if (fate == 1) frame.resize(draw() % frame.size());   // cut
    if (fate == 2) waiting.push_back(frame);              // to come later
    if (fate != 2) board_.raw(frame);
    if (fate == 3) board_.raw(frame);                              // twice
    if (fate == 4) board_.raw({0xA5, 0x5A, 0x01, 0x00, 0x00, 7});  // garbage without an end
    if (fate == 5 && !waiting.empty()) {
      board_.raw(waiting.back());
      waiting.pop_back();
    }
    heard_.reports.clear();
    session_.pump(1s + i * 1ms, heard_);
    for (const TimedReport& report : heard_.reports) {
      ASSERT_GT(report.board, latest) << "an old report was taken for a new one, tick " << i;
      ASSERT_EQ(report.board.count() % 1'000'000, 0) << "a report that was never sent, tick " << i;
      latest = report.board;
    }
  }
  const LinkCounts counts = session_.counts();
  EXPECT_GE(latest, Nanos{4990ms});
  EXPECT_GT(counts.frames.bad(), 100);
  EXPECT_GT(counts.reports.lost, 100);
  EXPECT_GT(counts.reports.late, 100);
  EXPECT_GT(counts.reports.duplicates, 100);
  EXPECT_EQ(counts.reports.restarts, 0);
}

TEST_F(Conversation, AFullLineCostsTicksAndNeverHalfAFrame) {
  auto narrow = MemoryStream::line(100);
  Session session{*narrow.first};
  ScriptedBoard board{*narrow.second};
  Tick tick;
  tick.levels.emplace();
  for (auto& level : *tick.levels) level = {0x1234, 0x5678};
  int refused = 0;
  for (int i = 0; i < 60; ++i) {
    refused += session.send_tick(tick, i * 1ms) ? 0 : 1;
    if (i % 5 == 4) board.hear();
  }
  board.hear();
  EXPECT_GT(refused, 10);
  EXPECT_EQ(board.broken, 0) << "the board heard a frame that was not whole";
  EXPECT_GT(board.ticks.size(), 20U);
  EXPECT_LE(session.counts().unsent, refused) << "of a tick that was taken in part the rest follows";
  EXPECT_NEAR(static_cast<double>(board.ticks.size()) + static_cast<double>(session.counts().unsent), 60.0, 1.0);
}

TEST_F(Conversation, APulledCableIsToldAndAPluggedInOneBeginsAfresh) {
  board_.report(50ms);
  EXPECT_TRUE(session_.pump(1s, heard_));
  line_.first->unplug();
  EXPECT_FALSE(session_.pump(2s, heard_));
  EXPECT_FALSE(session_.send_tick({}, 2s));
  EXPECT_FALSE(session_.stream().reopen()) << "still pulled";
  line_.first->plug_in();
  EXPECT_FALSE(session_.pump(3s, heard_)) << "a cut is not over before it was noticed";
  ASSERT_TRUE(session_.stream().reopen());
  ASSERT_TRUE(line_.second->reopen());
  session_.restart();
  board_.restart();
  board_.report(3ms);
  EXPECT_TRUE(session_.pump(4s, heard_));
  ASSERT_EQ(heard_.reports.size(), 2U);
  EXPECT_EQ(heard_.reports.back().board, Nanos{3ms});
}

TEST_F(Conversation, AsksUntilItIsAnsweredAndGivesUpInTime) {
  ScriptedClock clock;
  clock.on_time = [this] {
    board_.hear();
    if (board_.asks.size() == 3) {  // the first two questions get lost
      board_.say(Identity{1, 10203, 42, 20000, true, 1, 1});
      board_.asks.clear();
    }
  };
  const auto identity = ask<Identity>(session_, clock, Ask{Question::kIdentity}, 1s);
  ASSERT_TRUE(identity.has_value());
  EXPECT_EQ(identity->serial_number, 42U);
  EXPECT_NEAR(in_seconds(clock.now()), 0.2, 0.01);

  const Nanos before = clock.now();
  clock.on_time = [] {};
  EXPECT_FALSE(ask<Health>(session_, clock, Ask{Question::kHealth}, 500ms).has_value());
  EXPECT_NEAR(in_seconds(clock.now() - before), 0.5, 0.01);
}

}  // namespace
}  // namespace dawnrig::link
