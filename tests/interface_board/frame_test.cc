// Frames of the board: sealed and opened in place, against the host's own; and what breaks them.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>
#include <cstring>

#include "harness/link/frame.h"
#include "tests/interface_board/wire_codec.h"

namespace dawnrig::interface_board {
namespace {

struct alignas(FRAME_PAGE_BYTES) Page {
  std::array<std::uint8_t, FRAME_PAGE_BYTES> bytes{};
};

/// What the board's receiver does with a line: each frame into a page, up to its zero byte.
class Receiver {
 public:
  /// The message in a frame that `byte` has just completed; "" if there is none.
  std::string take(std::uint8_t byte) {
    if (byte != 0) {
      page_.bytes[place_] = byte;
      place_ = std::min<std::size_t>(place_ + 1, 254);
      return "";
    }
    const auto length = static_cast<std::uint8_t>(place_);
    place_ = 0;
    if (length == 0) {
      return "";
    }
    const std::uint8_t count = frame_open(page_.bytes.data(), length);
    broken += count == 0 ? 1 : 0;
    return {reinterpret_cast<const char*>(page_.bytes.data()) + 1, count};
  }
  std::int64_t broken{0};

 private:
  Page page_;
  std::size_t place_{0};
};

std::string sealed(const std::string& message) {
  Page page;
  std::memcpy(page.bytes.data() + 1, message.data(), message.size());
  const std::uint8_t count = frame_seal(page.bytes.data(), static_cast<std::uint8_t>(message.size()));
  return {reinterpret_cast<const char*>(page.bytes.data()), count};
}

std::string framed(const std::string& message) {
  const auto frame = link::framed({reinterpret_cast<const std::uint8_t*>(message.data()), message.size()});
  return {reinterpret_cast<const char*>(frame->bytes.data()), frame->size};
}

std::string opened(const std::string& frame) {
  Receiver receiver;
  std::string message;
  for (const char byte : frame) {
    message += receiver.take(static_cast<std::uint8_t>(byte));
  }
  return message;
}

TEST(BoardFrames, TheCheckIsTheOneThatTheSchemaNames) {
  EXPECT_EQ(frame_crc(reinterpret_cast<const std::uint8_t*>("123456789"), 9), 0x29B1);
  EXPECT_EQ(frame_crc(nullptr, 0), 0xFFFF);
}

TEST(BoardFrames, AreTheVeryBytesOfTheHostsFramesAtEveryLength) {
  Dice dice(11);
  for (int round = 0; round < 40; ++round) {
    for (std::size_t length = 1; length <= FRAME_MESSAGE_MOST; ++length) {
      const std::string message = round == 0   ? std::string(length, '\0')
                                  : round == 1 ? std::string(length, '\xFF')
                                               : dice.bytes(length);
      ASSERT_EQ(sealed(message), framed(message)) << "length " << length << ", round " << round;
      ASSERT_EQ(opened(framed(message)), message) << "length " << length << ", round " << round;
    }
  }
}

TEST(BoardFrames, OfNothingOrOfTooMuchAreNone) {
  EXPECT_EQ(opened(std::string(3, '\0')), "");
  EXPECT_EQ(opened(std::string("\x03\xFF\xFF\x00", 4)), "") << "a check and no message";
  for (std::size_t length = 251; length < 600; ++length) {
    Receiver receiver;
    for (std::size_t i = 0; i < length; ++i) {
      ASSERT_EQ(receiver.take(static_cast<std::uint8_t>(1 + i % 255)), "");
    }
    ASSERT_EQ(receiver.take(0), "") << length;
    ASSERT_EQ(receiver.broken, 1) << length;
    const std::string next = framed("next");
    std::string message;
    for (const char byte : next) message += receiver.take(static_cast<std::uint8_t>(byte));
    ASSERT_EQ(message, "next") << "the frame after one of " << length << " bytes";
  }
}

/// The check finds every error that spans no more than 16 bits.
TEST(BoardFrames, NoShortBurstOfWrongBitsGetsThrough) {
  Dice dice(12);
  for (int i = 0; i < 200'000; ++i) {
    const std::string message = dice.bytes(1 + dice.below(40));
    std::string frame = framed(message);
    const std::uint32_t bits = 8 * static_cast<std::uint32_t>(frame.size() - 1);
    const std::uint32_t first = dice.below(bits);
    const std::uint32_t pattern = 1U | (dice.below(65536) & 0xFFFEU);
    bool moves_a_zero = false;
    for (std::uint32_t bit = 0; bit < 16 && first + bit < bits; ++bit) {
      if ((pattern >> bit & 1U) != 0) {
        const std::uint32_t at = first + bit;
        frame[at / 8] = static_cast<char>(frame[at / 8] ^ (1 << (at % 8)));
      }
    }
    // Where stuffing itself was hit, one wrong bit moves a zero byte and makes two of one: only the odds are left.
    std::size_t code_at = 0;
    const std::string right = framed(message);
    while (code_at < right.size() - 1) {
      moves_a_zero = moves_a_zero || frame[code_at] != right[code_at];
      code_at += static_cast<std::uint8_t>(right[code_at]);
    }
    moves_a_zero = moves_a_zero || frame.find('\0') != frame.size() - 1;
    if (!moves_a_zero) {
      ASSERT_EQ(opened(frame), "") << "pattern " << pattern << " from bit " << first << " of message " << i;
    }
  }
}

/// What lies on a line: frames, bent frames, noise, cut ones.
class Noise {
 public:
  explicit Noise(std::uint64_t seed) : dice_(seed) {}
  /// The next piece. `message`: what it was made of; `right`: the same if it must come through, otherwise "".
  std::string piece(std::string& message, std::string& right) {
    message = any_to_board(dice_).SerializeAsString();
    right.clear();
    switch (dice_.below(5)) {
      case 0:
        right = message;
        return std::string(1, '\0') + framed(message);
      case 1: {
        std::string frame = framed(message);
        for (std::uint32_t hits = 1 + dice_.below(3); hits > 0; --hits) {
          char& byte = frame[dice_.below(static_cast<std::uint32_t>(frame.size()))];
          byte = static_cast<char>(byte ^ (1 << dice_.below(8)));
        }
        return frame;
      }
      case 2: {
        const std::string frame = framed(message);
        return frame.substr(0, dice_.below(static_cast<std::uint32_t>(frame.size())));
      }
      case 3:
        return dice_.bytes(1 + dice_.below(300));
      default:  // a whole frame around a bent message: the check holds, the message may not
        return framed("!" + bent(message, dice_).substr(0, FRAME_MESSAGE_MOST - 1));
    }
  }

 private:
  Dice dice_;
};

std::int64_t fuzz_bytes() {
  const char* wanted = std::getenv("DAWNRIG_FUZZ_BYTES");
  return wanted == nullptr ? 1'000'000 : std::strtoll(wanted, nullptr, 10);
}

/// Both of the board's decoders over a line that is mostly noise: 1 million bytes, or as many as DAWNRIG_FUZZ_BYTES
/// says. Every whole frame comes through, whatever came before it; of what is none, no more is taken than a check of 16
/// bits lets through; of every message that is taken or refused, the library says the same.
TEST(BoardFrames, FuzzedLinesCostOnlyTheFramesTheyTouch) {
  Noise noise(13);
  Receiver receiver;
  std::string made_of;
  std::int64_t bytes = 0, sent = 0, came = 0, wrong = 0, bent_messages = 0;
  while (bytes < fuzz_bytes()) {
    const std::string before = made_of;
    std::string right;
    const std::string piece = noise.piece(made_of, right);
    bytes += static_cast<std::int64_t>(piece.size());
    bool arrived = false;
    for (const char byte : piece) {
      const std::string message = receiver.take(static_cast<std::uint8_t>(byte));
      if (message.empty()) {
        continue;
      }
      const std::string why = disagreement(message);
      ASSERT_EQ(why, "") << "after " << bytes << " bytes";
      if (!right.empty() && message == right) {
        arrived = true;
      } else if (message[0] == '!') {
        ++bent_messages;
      } else if (message != made_of &&
                 message != before) {  // a cut may take the zero byte alone, which noise then brings
        ++wrong;
      }
    }
    sent += right.empty() ? 0 : 1;
    came += arrived ? 1 : 0;
    ASSERT_TRUE(right.empty() || arrived) << "a whole frame was lost after " << bytes << " bytes";
  }
  const double candidates = static_cast<double>(receiver.broken);
  const double expected = candidates / 65536.0;
  std::printf(
      "%lld bytes: %lld of %lld frames came, %lld with bent messages, %lld broken, %lld taken wrongly (odds: %.1f)\n",
      static_cast<long long>(bytes), static_cast<long long>(came), static_cast<long long>(sent),
      static_cast<long long>(bent_messages), static_cast<long long>(receiver.broken), static_cast<long long>(wrong),
      expected);
  EXPECT_LE(static_cast<double>(wrong), expected + 4.0 * std::sqrt(expected) + 3.0);
  EXPECT_GT(receiver.broken, 1000);
  EXPECT_GT(came, 500);
}

}  // namespace
}  // namespace dawnrig::interface_board
