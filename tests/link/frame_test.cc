// Frames on the wire: whole ones arrive as they were sent, broken ones do not arrive, and nothing stays out of step.
#include "harness/link/frame.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <deque>
#include <random>
#include <string>
#include <vector>

namespace dawnrig::link {
namespace {

using Bytes = std::vector<std::uint8_t>;

Bytes wire_of(const Bytes& payload) {
  const auto frame = framed(payload);
  const auto view = frame.value().view();
  return {view.begin(), view.end()};
}

std::vector<Bytes> heard(FrameDecoder& decoder, const Bytes& line) {
  std::vector<Bytes> payloads;
  for (const std::uint8_t byte : line) {
    if (const auto payload = decoder.take(byte)) {
      payloads.emplace_back(payload->begin(), payload->end());
    }
  }
  return payloads;
}

class Draw {
 public:
  explicit Draw(std::uint64_t seed) : engine_{seed} {}
  std::size_t below(std::size_t bound) { return static_cast<std::size_t>(engine_() % bound); }
  std::uint8_t byte() { return static_cast<std::uint8_t>(engine_()); }
  /// Of 1 to kMostPayloadBytes; every fourth one mostly zeros, which is what stuffing is about.
  Bytes payload() {
    Bytes bytes(1 + below(kMostPayloadBytes));
    const bool zeros = below(4) == 0;
    for (std::uint8_t& b : bytes) b = zeros && below(3) != 0 ? std::uint8_t{0} : byte();
    return bytes;
  }

 private:
  std::mt19937_64 engine_;
};

TEST(Frame, HasTheCheckThatThePublishedExampleNames) {
  const std::string digits = "123456789";
  EXPECT_EQ(crc_of({reinterpret_cast<const std::uint8_t*>(digits.data()), digits.size()}), 0x29B1);
}

TEST(Frame, StuffsAsTheRuleSays) {
  // 11 22 00 33: CRC low byte first, then blocks between zeros, each with its length in front.
  const Bytes payload{0x11, 0x22, 0x00, 0x33};
  const std::uint16_t crc = crc_of(payload);
  ASSERT_NE(crc & 0xFF, 0);
  ASSERT_NE(crc >> 8, 0);
  const Bytes expected{
      0x03, 0x11, 0x22, 0x04, 0x33, static_cast<std::uint8_t>(crc & 0xFF), static_cast<std::uint8_t>(crc >> 8), 0x00};
  EXPECT_EQ(wire_of(payload), expected);
}

TEST(Frame, ArrivesAsItWasSentWhateverIsInIt) {
  Draw draw{1};
  FrameDecoder decoder;
  for (int i = 0; i < 20'000; ++i) {
    const Bytes payload = draw.payload();
    const Bytes wire = wire_of(payload);
    ASSERT_LE(wire.size(), kMostWireBytes);
    ASSERT_EQ(std::count(wire.begin(), wire.end(), 0), 1) << "a zero byte ends a frame and occurs nowhere else";
    const auto payloads = heard(decoder, wire);
    ASSERT_EQ(payloads.size(), 1U) << "frame " << i << " of " << payload.size() << " bytes";
    ASSERT_EQ(payloads[0], payload) << "frame " << i;
  }
  EXPECT_EQ(decoder.counts().bad(), 0);
}

TEST(Frame, OfEveryLengthOfZerosArrives) {
  FrameDecoder decoder;
  for (std::size_t size = 1; size <= kMostPayloadBytes; ++size) {
    for (const int value : {0x00, 0x01, 0xFF}) {
      const Bytes payload(size, static_cast<std::uint8_t>(value));
      const auto payloads = heard(decoder, wire_of(payload));
      ASSERT_EQ(payloads.size(), 1U) << size;
      ASSERT_EQ(payloads[0], payload) << size;
    }
  }
}

TEST(Frame, TooLongAPayloadIsRefused) {
  EXPECT_TRUE(framed(Bytes(kMostPayloadBytes, 7)).has_value());
  EXPECT_FALSE(framed(Bytes(kMostPayloadBytes + 1, 7)).has_value());
}

TEST(FrameDecoder, IsInStepAgainWithTheFirstZeroAfterGarbage) {
  Draw draw{2};
  for (int i = 0; i < 2000; ++i) {
    FrameDecoder decoder;
    Bytes line(draw.below(600));
    for (std::uint8_t& b : line) b = draw.byte();
    line.push_back(0);
    const Bytes payload = draw.payload();
    const Bytes wire = wire_of(payload);
    line.insert(line.end(), wire.begin(), wire.end());
    const auto payloads = heard(decoder, line);
    ASSERT_FALSE(payloads.empty()) << "run " << i;
    ASSERT_EQ(payloads.back(), payload) << "run " << i;
  }
}

TEST(FrameDecoder, LosesNoMoreThanTheFramesThatWereTouched) {
  Draw draw{3};
  FrameDecoder decoder;
  std::vector<Bytes> intact;
  Bytes line;
  int touched = 0;
  for (int i = 0; i < 5000; ++i) {
    const Bytes payload = draw.payload();
    Bytes wire = wire_of(payload);
    if (draw.below(10) == 0) {  // a byte that is not the last turns into another one that is not zero
      std::uint8_t& byte = wire[draw.below(wire.size() - 1)];
      byte = static_cast<std::uint8_t>(byte == 255 ? 1 : byte + 1);
      ++touched;
    } else {
      intact.push_back(payload);
    }
    line.insert(line.end(), wire.begin(), wire.end());
  }
  ASSERT_GT(touched, 300);
  const auto payloads = heard(decoder, line);
  EXPECT_EQ(payloads, intact);
  EXPECT_EQ(decoder.counts().bad(), touched);
}

TEST(FrameDecoder, CountsEachKindOfBrokenFrame) {
  FrameDecoder decoder;
  EXPECT_TRUE(heard(decoder, Bytes{0, 0, 0}).empty());
  EXPECT_EQ(decoder.counts().bad(), 0) << "an empty frame is no fault";
  EXPECT_TRUE(heard(decoder, Bytes{9, 1, 2, 0}).empty());
  EXPECT_EQ(decoder.counts().bad_stuffing, 1);
  EXPECT_TRUE(heard(decoder, Bytes{3, 1, 2, 0}).empty());
  EXPECT_EQ(decoder.counts().too_short, 1);
  EXPECT_TRUE(heard(decoder, Bytes{5, 1, 2, 3, 4, 0}).empty());
  EXPECT_EQ(decoder.counts().bad_crc, 1);
  Bytes endless(1000, 1);
  endless.push_back(0);
  EXPECT_TRUE(heard(decoder, endless).empty());
  EXPECT_EQ(decoder.counts().too_long, 1);
  EXPECT_EQ(heard(decoder, wire_of({42})), std::vector<Bytes>{{42}});
}

/// Ten million bytes in all unless DAWNRIG_FUZZ_BYTES asks for another number.
std::size_t bytes_asked_for() {
  const char* asked = std::getenv("DAWNRIG_FUZZ_BYTES");
  return asked == nullptr ? 10'000'000 : static_cast<std::size_t>(std::max(1000LL, std::atoll(asked)));
}

/// What a decoder accepts of a line of which every frame was broken, against the odds of a CRC of 16 bits.
void expect_within_the_odds(std::int64_t wrong, std::int64_t candidates) {
  const double expected = static_cast<double>(candidates) / 65536.0;
  EXPECT_LE(static_cast<double>(wrong), expected + 6.0 * std::sqrt(expected + 1.0))
      << "of " << candidates << " broken frames";
}

/// Any bytes between a length in front and a zero behind, as the rule of stuffing has it.
Bytes stuffed(const Bytes& plain) {
  Bytes wire{0};
  std::size_t length_at = 0;
  for (const std::uint8_t byte : plain) {
    if (byte == 0) {
      wire[length_at] = static_cast<std::uint8_t>(wire.size() - length_at);
      length_at = wire.size();
    }
    wire.push_back(byte);
  }
  wire[length_at] = static_cast<std::uint8_t>(wire.size() - length_at);
  wire.push_back(0);
  return wire;
}

TEST(FuzzedFrames, OfPureNoiseAreAcceptedNoMoreOftenThanTheCheckAllows) {
  Draw draw{4};
  FrameDecoder decoder;
  const std::size_t bytes = bytes_asked_for() / 2;
  for (std::size_t fed = 0; fed < bytes;) {
    // A third is anything at all; the rest is stuffed well, so that only the check stands against it.
    Bytes noise(1 + draw.below(draw.below(20) == 0 ? kMostPayloadBytes : 10));
    for (std::uint8_t& byte : noise) byte = draw.byte();
    if (draw.below(3) != 0) noise = stuffed(noise);
    fed += noise.size();
    for (const std::uint8_t byte : noise) {
      if (const auto payload = decoder.take(byte)) {
        ASSERT_LE(payload->size(), kMostPayloadBytes);
      }
    }
  }
  const FrameCounts& counts = decoder.counts();
  ASSERT_GT(counts.bad_crc, static_cast<std::int64_t>(bytes / 50)) << "the noise never came as far as the check";
  expect_within_the_odds(counts.good, counts.good + counts.bad_crc);
  EXPECT_EQ(heard(decoder,
                  [] {
                    Bytes line{0};
                    const Bytes wire = wire_of({1, 2, 3});
                    line.insert(line.end(), wire.begin(), wire.end());
                    return line;
                  }()),
            (std::vector<Bytes>{{1, 2, 3}}));
}

TEST(FuzzedFrames, CutJoinedDoubledAndBentAreNeverTakenForWhatWasNotSent) {
  Draw draw{5};
  FrameDecoder decoder;
  std::deque<Bytes> sent;
  std::int64_t wrong = 0;
  std::int64_t right = 0;
  std::size_t fed = 0;
  const std::size_t bytes = bytes_asked_for() / 2;
  while (fed < bytes) {
    const Bytes payload = draw.payload();
    sent.push_back(payload);
    if (sent.size() > 4) sent.pop_front();
    Bytes wire = wire_of(payload);
    switch (draw.below(6)) {
      case 0:  // cut short
        wire.resize(draw.below(wire.size()));
        break;
      case 1:  // a byte bent, be it to zero
        wire[draw.below(wire.size())] = draw.byte();
        break;
      case 2:  // a piece lost from the middle
        wire.erase(wire.begin() + static_cast<std::ptrdiff_t>(draw.below(wire.size())));
        break;
      case 3:  // a piece doubled
        wire.insert(wire.begin() + static_cast<std::ptrdiff_t>(draw.below(wire.size())), draw.byte());
        break;
      case 4: {  // the whole frame twice
        const Bytes once = wire;
        wire.insert(wire.end(), once.begin(), once.end());
        break;
      }
      default:
        break;
    }
    fed += wire.size();
    for (const Bytes& one : heard(decoder, wire)) {
      std::find(sent.begin(), sent.end(), one) != sent.end() ? ++right : ++wrong;
    }
  }
  EXPECT_GT(right, static_cast<std::int64_t>(bytes / 1000));
  expect_within_the_odds(wrong, decoder.counts().bad());
}

}  // namespace
}  // namespace dawnrig::link
