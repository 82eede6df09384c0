// The very code that opens a real board's port, on a pseudo-terminal.
#include "harness/link/serial_stream.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <memory>
#include <random>
#include <thread>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/link/pumped_stream.h"
#include "harness/link/session.h"
#include "tests/link/scripted_board.h"

namespace dawnrig::link {
namespace {

using namespace std::chrono_literals;

/// Reads until `count` bytes have come, or nothing more does for a second.
std::vector<std::uint8_t> read_all(ByteStream& stream, std::size_t count) {
  std::vector<std::uint8_t> all;
  std::array<std::uint8_t, 256> chunk;
  for (int quiet = 0; all.size() < count && quiet < 1000; ++quiet) {
    const std::size_t got = stream.read(chunk);
    all.insert(all.end(), chunk.begin(), chunk.begin() + static_cast<std::ptrdiff_t>(got));
    if (got > 0) {
      quiet = 0;
    } else {
      std::this_thread::sleep_for(1ms);
    }
  }
  return all;
}

TEST(SerialPort, CarriesEveryByteBothWaysUnchanged) {
  PseudoTerminal far;
  SerialStream port{far.name()};
  std::vector<std::uint8_t> all;
  for (int i = 0; i < 1024; ++i) all.push_back(static_cast<std::uint8_t>(i));
  ASSERT_EQ(port.write(all), all.size());
  EXPECT_EQ(read_all(far, all.size()), all) << "line endings, control characters and the eighth bit must pass";
  ASSERT_EQ(far.write(all), all.size());
  EXPECT_EQ(read_all(port, all.size()), all);
}

TEST(SerialPort, SaysThatAPseudoTerminalKnowsNoLowLatency) {
  PseudoTerminal far;
  const SerialStream port{far.name()};
  EXPECT_NE(port.low_latency_warning().find(far.name()), std::string::npos);
  EXPECT_NE(port.low_latency_warning().find("low latency"), std::string::npos);
}

TEST(SerialPort, ThatIsNotThereOrIsNoneIsComplainedOfByName) {
  for (const char* wrong : {"/dev/no-such-port", "/dev/null", "/"}) {
    try {
      const SerialStream port{wrong};
      ADD_FAILURE() << wrong << " was opened";
    } catch (const base::BadInput& e) {
      EXPECT_NE(std::string{e.what()}.find(wrong), std::string::npos) << e.what();
    }
  }
}

TEST(SerialPort, NoticesThatItWasUnpluggedAndOpensAgainWhenItIsBack) {
  const std::string link = std::filesystem::temp_directory_path() / ("dawnrig-port-" + std::to_string(::getpid()));
  PseudoTerminal far{link};
  SerialStream port{link};
  EXPECT_EQ(port.state(), LineState::kUp);
  far.hang_up();
  std::array<std::uint8_t, 16> chunk;
  EXPECT_EQ(port.read(chunk), 0U);
  EXPECT_EQ(port.state(), LineState::kGone);
  EXPECT_EQ(port.write(std::array<std::uint8_t, 2>{1, 2}), 0U);
  EXPECT_FALSE(port.reopen()) << "still unplugged";
  ASSERT_TRUE(far.reopen());
  ASSERT_TRUE(port.reopen());
  EXPECT_EQ(port.write(std::array<std::uint8_t, 2>{1, 2}), 2U);
  EXPECT_EQ(read_all(far, 2), (std::vector<std::uint8_t>{1, 2}));
}

TEST(SerialPort, HoldsAConversation) {
  PseudoTerminal far;
  SerialStream port{far.name()};
  Session session{port};
  ScriptedBoard board{far};
  class Count final : public Listener {
   public:
    void on_report(const TimedReport& /*report*/) override { ++reports; }
    void on_answer(const FromBoard& /*answer*/) override {}
    int reports{0};
  } count;
  for (int i = 0; i < 200; ++i) {
    ASSERT_TRUE(session.send_tick({}, i * 1ms));
    board.hear();
    board.report(i * 1ms);
    ASSERT_TRUE(session.pump(i * 1ms, count));
  }
  for (int quiet = 0; quiet < 1000 && (count.reports < 200 || board.ticks.size() < 200); ++quiet) {
    std::this_thread::sleep_for(1ms);
    board.hear();
    ASSERT_TRUE(session.pump(1s, count));
  }
  EXPECT_EQ(count.reports, 200);
  EXPECT_EQ(board.ticks.size(), 200U);
  EXPECT_EQ(session.counts().frames.bad() + board.broken, 0);
}

TEST(PumpedPort, CarriesEverythingBothWaysAndNoticesAnUnpluggedCable) {
  const std::string link = std::filesystem::temp_directory_path() / ("dawnrig-pumped-" + std::to_string(::getpid()));
  PseudoTerminal far{link};
  bool prepared = false;
  {
    PumpedStream port{std::make_unique<SerialStream>(link), [&prepared] { prepared = true; }};
    std::vector<std::uint8_t> all;
    for (int i = 0; i < 3000; ++i) all.push_back(static_cast<std::uint8_t>(i * 7));
    std::vector<std::uint8_t> there;
    std::vector<std::uint8_t> back;
    for (std::size_t at = 0; at < all.size(); at += 500) {
      const std::span<const std::uint8_t> piece{all.data() + at, 500};
      ASSERT_EQ(port.write(piece), 500U);
      const auto heard = read_all(far, 500);
      there.insert(there.end(), heard.begin(), heard.end());
      ASSERT_EQ(far.write(piece), 500U);
      const auto answer = read_all(port, 500);
      back.insert(back.end(), answer.begin(), answer.end());
    }
    EXPECT_EQ(there, all);
    EXPECT_EQ(back, all);
    far.hang_up();
    for (int i = 0; i < 1000 && port.state() == LineState::kUp; ++i) std::this_thread::sleep_for(1ms);
    EXPECT_EQ(port.state(), LineState::kGone);
    EXPECT_FALSE(port.reopen());
    ASSERT_TRUE(far.reopen());
    ASSERT_TRUE(port.reopen());
    ASSERT_EQ(port.write(std::array<std::uint8_t, 2>{1, 2}), 2U);
    EXPECT_EQ(read_all(far, 2), (std::vector<std::uint8_t>{1, 2}));
  }
  EXPECT_TRUE(prepared);
}

}  // namespace
}  // namespace dawnrig::link
