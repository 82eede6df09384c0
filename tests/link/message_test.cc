// What is said arrives as it was meant, in both directions, and what is no message does not arrive.
#include "harness/link/message.h"

#include <gtest/gtest.h>

#include <random>
#include <vector>

#include "harness/link/frame.h"
#include "proto/board_link.pb.h"

namespace dawnrig::link {
namespace {

std::vector<std::uint8_t> bytes_of(const google::protobuf::MessageLite& message) {
  const std::string text = message.SerializeAsString();
  return {text.begin(), text.end()};
}

TEST(MessageCodec, SpeaksTheVersionOfTheSchema) {
  EXPECT_EQ(kLinkVersion, static_cast<std::uint32_t>(proto::BOARD_LINK_VERSION));
  EXPECT_EQ(kChannels, static_cast<std::size_t>(proto::SENSE_THERMISTOR) + 1);
  EXPECT_EQ(line::kSerial, static_cast<std::uint32_t>(proto::LINE_SERIAL));
  EXPECT_EQ(line::kReset, static_cast<std::uint32_t>(proto::LINE_RESET));
  EXPECT_EQ(pin::kResetHeld, static_cast<std::uint32_t>(proto::PIN_RESET_HELD));
  EXPECT_EQ(pin::kSupplyOn, static_cast<std::uint32_t>(proto::PIN_SUPPLY_ON));
}

TEST(MessageCodec, WritesATickAsTheSchemaReadsIt) {
  MessageCodec codec;
  Tick tick;
  tick.sequence = 65'535;
  tick.hold_from_ticks = 0xFFFF'FFFE;
  tick.levels = {{{1, 2}, {65'535, 0}, {0, 65'535}, {300, 400}}};
  tick.lines = line::kOutputs | line::kSupply;
  tick.device_serial.bytes[0] = 0;
  tick.device_serial.bytes[1] = 'x';
  tick.device_serial.size = 2;
  std::array<std::uint8_t, kMostPayloadBytes> payload;
  const std::size_t size = codec.encode(ToBoard{tick}, payload);
  proto::ToBoard read;
  ASSERT_TRUE(read.ParseFromArray(payload.data(), static_cast<int>(size)));
  ASSERT_TRUE(read.has_tick());
  EXPECT_EQ(read.tick().sequence(), 65'535U);
  EXPECT_EQ(read.tick().hold_from_ticks(), 0xFFFF'FFFEU);
  ASSERT_EQ(read.tick().level_lsb_size(), 4);
  EXPECT_EQ(read.tick().level_lsb(0), 0x0001'0002U) << "gate on above, gate off below";
  EXPECT_EQ(read.tick().level_lsb(1), 0xFFFF'0000U);
  EXPECT_EQ(read.tick().device_serial(), std::string("\0x", 2));
}

TEST(MessageCodec, ReadsAReportThatLeavesOutWhatIsZero) {
  MessageCodec codec;
  proto::FromBoard message;
  message.mutable_report()->set_at_ticks(77);
  message.mutable_report()->mutable_gate_1()->set_longest_period_ticks(4080);
  const auto read = codec.decode(bytes_of(message));
  ASSERT_TRUE(read && std::holds_alternative<Report>(*read));
  const auto& report = std::get<Report>(*read);
  EXPECT_EQ(report.at_ticks, 77U);
  ASSERT_TRUE(report.gate[0].has_value());
  EXPECT_FALSE(report.gate[1].has_value());
  EXPECT_FALSE(report.gate[0]->on);
  EXPECT_EQ(report.gate[0]->shortest_period_ticks, 4080U) << "absent means: all were as long";
}

TEST(MessageCodec, RefusesListsOfAWrongLengthAndUnknownKinds) {
  MessageCodec codec;
  proto::FromBoard calibration;
  calibration.mutable_calibration()->set_serial_number(3);
  EXPECT_FALSE(codec.decode(bytes_of(calibration)).has_value());
  proto::FromBoard test;
  test.mutable_self_test()->add_settled_ns(5);
  EXPECT_FALSE(codec.decode(bytes_of(test)).has_value());
  EXPECT_FALSE(codec.decode(bytes_of(proto::FromBoard{})).has_value());
  EXPECT_FALSE(codec.decode(std::vector<std::uint8_t>{0xFF, 0xFF, 0xFF}).has_value());
}

template <class Message>
void expect_survives(MessageCodec& codec, const Message& message, std::uint64_t number) {
  std::array<std::uint8_t, kMostPayloadBytes> payload;
  std::array<std::uint8_t, kMostPayloadBytes> again;
  const std::size_t size = codec.encode(message, payload);
  ASSERT_GT(size, 0U) << "message " << number;
  std::size_t size_again = 0;
  if constexpr (std::is_same_v<Message, FromBoard>) {
    const auto read = codec.decode({payload.data(), size});
    ASSERT_TRUE(read.has_value()) << "message " << number;
    EXPECT_EQ(read->index(), message.index());
    size_again = codec.encode(*read, again);
  } else {
    const auto read = codec.decode_to_board({payload.data(), size});
    ASSERT_TRUE(read.has_value()) << "message " << number;
    EXPECT_EQ(read->index(), message.index());
    size_again = codec.encode(*read, again);
  }
  EXPECT_EQ(std::vector<std::uint8_t>(payload.begin(), payload.begin() + static_cast<std::ptrdiff_t>(size)),
            std::vector<std::uint8_t>(again.begin(), again.begin() + static_cast<std::ptrdiff_t>(size_again)))
      << "message " << number;
}

class Drawn {
 public:
  explicit Drawn(std::uint64_t seed) : draw_{seed} {}
  std::uint32_t word() { return static_cast<std::uint32_t>(draw_() >> (draw_() % 64)); }
  std::uint16_t half() { return static_cast<std::uint16_t>(word()); }
  bool coin() { return (draw_() & 1U) != 0; }
  GateReport gate() {
    GateReport gate{half(), word(), word(), half(), word() | 1U, word() | 1U, coin(), coin(), half(), half()};
    return gate;
  }
  Report report() {
    Report report;
    report.sequence = half();
    report.at_ticks = word();
    report.host_sequence = half();
    report.applied_sequence = half();
    if (coin()) report.gate[0] = gate();
    if (coin()) report.gate[1] = gate();
    report.pins = half();
    report.safe_cause = word() % 7;
    report.readback_input = word() % 7;
    report.readback_lsb = word() % 1024;
    report.readback_gate_on = coin();
    report.device_serial.size = word() % (kMostSerialIn + 1);
    for (std::size_t i = 0; i < report.device_serial.size; ++i) {
      report.device_serial.bytes[i] = static_cast<std::uint8_t>(word());
    }
    return report;
  }
  Calibration calibration() {
    Calibration calibration{half(), half(), static_cast<std::int32_t>(word() % 60'000) - 20'000, word(), {}, {}, true};
    for (OutputCalibration& one : calibration.output) {
      one = {static_cast<std::int32_t>(word() % 500'000) - 250'000, word() % 10'000'000,
             static_cast<std::int32_t>(word() % 500'000) - 250'000};
    }
    for (ReadbackCalibration& one : calibration.readback) {
      one = {static_cast<std::int32_t>(word() % 500'000) - 250'000, word() % 20'000'000};
    }
    return calibration;
  }
  SelfTest self_test() {
    SelfTest test;
    test.passed = coin();
    for (auto& channel : test.readback) {
      for (auto& one : channel) one = {half(), half()};
    }
    for (auto& ns : test.settled_ns) ns = word() % 1'000'000;
    test.pattern_on_ticks = {word(), word()};
    test.pattern_period_ticks = {word(), word()};
    test.failures = word() % 4096;
    return test;
  }

 private:
  std::mt19937_64 draw_;
};

TEST(MessageCodec, EveryMessageSurvivesTheWayThereAndBackAndFitsAFrame) {
  MessageCodec codec;
  Drawn drawn{1};
  for (std::uint64_t i = 0; i < 20'000; ++i) {
    expect_survives(codec, FromBoard{drawn.report()}, i);
    if (i % 20 == 0) {
      expect_survives(codec, FromBoard{drawn.calibration()}, i);
      expect_survives(codec, ToBoard{drawn.calibration()}, i);
      expect_survives(codec, FromBoard{drawn.self_test()}, i);
    }
    if (::testing::Test::HasFailure()) return;
  }
}

TEST(MessageCodec, NoiseNeitherCrashesItNorMakesALongList) {
  MessageCodec codec;
  std::mt19937_64 draw{3};
  std::vector<std::uint8_t> payload;
  std::int64_t read = 0;
  for (int i = 0; i < 200'000; ++i) {
    payload.resize(1 + draw() % kMostPayloadBytes);
    for (std::uint8_t& byte : payload) byte = static_cast<std::uint8_t>(draw() >> (draw() % 60));
    payload[0] = static_cast<std::uint8_t>(8 * (1 + draw() % 6) + 2);  // as a message of some kind begins
    read += codec.decode(payload).has_value() ? 1 : 0;
    read += codec.decode_to_board(payload).has_value() ? 1 : 0;
  }
  EXPECT_GT(read, 0) << "no noise ever looked like a message: this test shows nothing";
}

}  // namespace
}  // namespace dawnrig::link
