// The board's codec against the library: what one writes, the other reads, to the last bit.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstring>

#include "tests/interface_board/wire_codec.h"

namespace dawnrig::interface_board {
namespace {

std::string hex(const std::string& bytes) {
  std::string text;
  for (const char byte : bytes) {
    char two[4];
    std::snprintf(two, sizeof two, "%02x ", static_cast<unsigned>(static_cast<std::uint8_t>(byte)));
    text += two;
  }
  return text;
}

TEST(BoardMessages, EveryMessageThatTheLibraryWritesIsReadAsItWasMeant) {
  Dice dice(1);
  for (int i = 0; i < 20'000; ++i) {
    const std::string bytes = any_to_board(dice).SerializeAsString();
    ASSERT_LE(bytes.size(), static_cast<std::size_t>(FRAME_MESSAGE_MOST));
    ASSERT_EQ(disagreement(bytes), "") << "message " << i << ": " << hex(bytes);
  }
}

/// As the specification wants it: the last scalar counts, parts are put together, a list may come in pieces.
TEST(BoardMessages, MessagesInPiecesAreReadAsTheLibraryReadsThem) {
  Dice dice(2);
  int taken = 0;
  for (int i = 0; i < 20'000; ++i) {
    std::string bytes = any_to_board(dice).SerializeAsString() + any_to_board(dice).SerializeAsString();
    bytes.resize(std::min<std::size_t>(bytes.size(), FRAME_MESSAGE_MOST));
    ASSERT_EQ(disagreement(bytes), "") << "message " << i << ": " << hex(bytes);
    to_board read{};
    taken += board_reads(bytes, read) ? 1 : 0;
  }
  EXPECT_GT(taken, 10'000) << "hardly any of them was a message: this shows little";
}

TEST(BoardMessages, BentMessagesAreTakenOrRefusedAsTheLibraryDoes) {
  Dice dice(3);
  int taken = 0;
  for (int i = 0; i < 100'000; ++i) {
    const std::string bytes = bent(any_to_board(dice).SerializeAsString(), dice);
    ASSERT_EQ(disagreement(bytes), "") << "message " << i << ": " << hex(bytes);
    to_board read{};
    taken += board_reads(bytes, read) ? 1 : 0;
  }
  EXPECT_GT(taken, 5'000) << "hardly any was still a message: this shows little";
  EXPECT_LT(taken, 90'000);
}

/// Fields that a later version of the schema may have, and tags and lengths longer than they need be.
TEST(BoardMessages, UnknownFieldsAreSkippedAndLongNumbersReadAlike) {
  const std::string tick("\x0A\x04\x08\x81\x80\x00", 6);  // the number 1 in three bytes
  EXPECT_EQ(disagreement(tick), "");
  to_board read{};
  ASSERT_TRUE(board_reads(tick, read));
  EXPECT_EQ(read.tick.sequence, 1U);
  const std::string later(
      "\x7A\x02hi\x0A\x0B\x08\x05\x79"
      "12345678"
      "\x82\x01\x00",
      18);
  EXPECT_EQ(disagreement(later), "");
  EXPECT_EQ(disagreement(std::string("\x8A\x80\x80\x80\x00\x82\x80\x80\x80\x00\x08\x07", 12)), "")
      << "long tag and length";
  EXPECT_EQ(disagreement(std::string("\x0A\x82\x80\x80\x80\x10\x08\x07", 8)), "") << "a length beyond 32 bits";
  EXPECT_EQ(disagreement(std::string("\x0A\x0C\x08\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\x7F\x00", 14)), "");
  EXPECT_EQ(disagreement(std::string("\x0A\x02\x0B\x0C", 4)), "") << "a group";
  EXPECT_EQ(disagreement(""), "");
}

template <class Message>
std::string written(std::uint8_t (*write)(const Message*, std::uint8_t*), const Message& message) {
  std::uint8_t bytes[FRAME_MOST];
  std::memset(bytes, 0xA5, sizeof bytes);
  const std::uint8_t count = write(&message, bytes);
  return {reinterpret_cast<const char*>(bytes), count};
}

gate_report any_gate(Dice& dice) {
  gate_report gate{};
  const auto word = [&dice] { return static_cast<std::uint16_t>(dice.number()); };
  gate.edges = word();
  gate.on_ticks = dice.number();
  gate.last_edge_ticks = dice.number();
  gate.on_pulse_ticks = word();
  gate.longest_period_ticks = word();
  gate.shortest_period_ticks = word();
  gate.flags = static_cast<std::uint8_t>(dice.below(4));
  gate.glitches = word();
  gate.lost_edges = word();
  return gate;
}

void put(proto::GateReport* to, const gate_report& gate) {
  to->set_edges(gate.edges);
  to->set_on_ticks(gate.on_ticks);
  to->set_last_edge_ticks(gate.last_edge_ticks);
  to->set_on_pulse_ticks(gate.on_pulse_ticks);
  to->set_longest_period_ticks(gate.longest_period_ticks);
  to->set_shortest_period_ticks(gate.shortest_period_ticks);
  to->set_flags(gate.flags);
  to->set_glitches(gate.glitches);
  to->set_lost_edges(gate.lost_edges);
}

TEST(BoardMessages, ReportsAreTheVeryBytesThatTheLibraryWouldWrite) {
  Dice dice(4);
  std::size_t longest = 0;
  for (int i = 0; i < 20'000; ++i) {
    report report{};
    report.sequence = static_cast<std::uint16_t>(dice.number());
    report.at_ticks = dice.number();
    report.host_sequence = static_cast<std::uint16_t>(dice.number());
    report.pins = static_cast<std::uint16_t>(dice.below(8192));
    report.safe_cause = static_cast<std::uint8_t>(dice.below(6));
    report.readback_input = static_cast<std::uint8_t>(dice.below(7));
    report.readback_lsb = static_cast<std::uint16_t>(dice.below(1024));
    report.readback_gate_on = dice.one_in(2);
    report.device_serial_count = static_cast<std::uint8_t>(dice.below(WIRE_FROM_DEVICE_MOST + 1));
    const std::string serial = dice.bytes(report.device_serial_count);
    std::copy(serial.begin(), serial.end(), report.device_serial);
    report.applied_sequence = static_cast<std::uint16_t>(dice.number());
    proto::FromBoard meant;
    proto::Report& to = *meant.mutable_report();
    to.set_sequence(report.sequence);
    to.set_at_ticks(report.at_ticks);
    to.set_host_sequence(report.host_sequence);
    for (int gate = 0; gate < 2; ++gate) {
      report.gate_used[gate] = dice.one_in(2);
      report.gate[gate] = any_gate(dice);
      if (report.gate_used[gate]) {
        put(gate == 0 ? to.mutable_gate_1() : to.mutable_gate_2(), report.gate[gate]);
      }
    }
    to.set_pins(report.pins);
    to.set_safe_cause(static_cast<proto::SafeCause>(report.safe_cause));
    to.set_readback_input(report.readback_input);
    to.set_readback_lsb(report.readback_lsb);
    to.set_readback_gate_on(report.readback_gate_on);
    to.set_device_serial(serial);
    to.set_applied_sequence(report.applied_sequence);
    ASSERT_EQ(hex(written(wire_write_report, report)), hex(meant.SerializeAsString())) << meant.DebugString();
    longest = std::max(longest, meant.SerializeAsString().size());
  }
  EXPECT_GE(longest, 110U) << "the longest ones were never drawn";
  EXPECT_LE(longest, 127U) << "the board reckons with one byte of length";
}

TEST(BoardMessages, AnswersAreTheVeryBytesThatTheLibraryWouldWrite) {
  Dice dice(5);
  for (int i = 0; i < 5'000; ++i) {
    proto::FromBoard meant;
    const board_identity identity{dice.number(), dice.number(), dice.number(), dice.number(), dice.one_in(2), 8, 5};
    auto* to = meant.mutable_identity();
    to->set_link_version(identity.link_version);
    to->set_firmware_version(identity.firmware_version);
    to->set_serial_number(identity.serial_number);
    to->set_calibrated_day(identity.calibrated_day);
    to->set_calibration_valid(identity.calibration_valid);
    to->set_reset_cause(8);
    to->set_safe_cause(proto::SAFE_WATCHDOG);
    ASSERT_EQ(hex(written(wire_write_identity, identity)), hex(meant.SerializeAsString()));

    const configured answer{dice.one_in(2), static_cast<std::uint8_t>(dice.below(11)), 1, dice.number()};
    auto* said = meant.mutable_configured();
    said->set_accepted(answer.accepted);
    said->set_wrong_field(answer.wrong_field);
    said->set_board_link_version(1);
    said->set_host_link_version(answer.host_link_version);
    ASSERT_EQ(hex(written(wire_write_configured, answer)), hex(meant.SerializeAsString()));

    health counts{};
    auto* health = meant.mutable_health();
    std::uint32_t* const numbers[] = {
        &counts.frames_taken,    &counts.frames_broken,       &counts.messages_refused,  &counts.ticks_repeated,
        &counts.ticks_missing,   &counts.ticks_late,          &counts.ticks_too_early,   &counts.bytes_lost,
        &counts.reports_skipped, &counts.busiest_tick_cycles, &counts.serial_bytes_lost,
    };
    for (int field = 0; field < 11; ++field) {
      *numbers[field] = dice.number();
      health->GetReflection()->SetUInt32(health, health->GetDescriptor()->field(field), *numbers[field]);
    }
    ASSERT_EQ(hex(written(wire_write_health, counts)), hex(meant.SerializeAsString()));

    self_test test{};
    auto* tested = meant.mutable_self_test();
    test.refused = dice.one_in(2);
    test.passed = dice.one_in(2);
    test.measured = dice.one_in(2);
    test.failures = dice.number();
    tested->set_refused(test.refused);
    tested->set_passed(test.passed);
    tested->set_failures(test.failures);
    if (test.measured) {
      for (std::uint32_t& sum : test.readback_sum) tested->add_readback_sum(sum = dice.number());
      for (std::uint32_t& settled : test.settled_ns) tested->add_settled_ns(settled = dice.number());
      for (std::uint32_t& on : test.pattern_on_ticks) tested->add_pattern_on_ticks(on = dice.number());
      for (std::uint32_t& period : test.pattern_period_ticks) tested->add_pattern_period_ticks(period = dice.number());
    }
    tested->set_pattern_true_on_ticks(test.pattern_true_on_ticks = dice.number());
    tested->set_pattern_true_period_ticks(test.pattern_true_period_ticks = dice.number());
    ASSERT_EQ(hex(written(wire_write_self_test, test)), hex(meant.SerializeAsString()));
  }
}

TEST(BoardMessages, ACalibrationGoesThereAndBackUnchanged) {
  Dice dice(6);
  int whole = 0;
  for (int i = 0; i < 5'000; ++i) {
    proto::ToBoard to;
    while (!to.has_store_calibration()) to = any_to_board(dice);
    to_board read{};
    ASSERT_TRUE(board_reads(to.SerializeAsString(), read));
    proto::FromBoard meant;
    *meant.mutable_calibration() = to.store_calibration();
    ASSERT_EQ(hex(written(wire_write_calibration, read.calibration)), hex(meant.SerializeAsString()));
    const std::string bare = written(wire_write_bare_calibration, read.calibration);
    ASSERT_EQ(hex(bare), hex(to.store_calibration().SerializeAsString()));
    calibration again{};
    ASSERT_TRUE(wire_read_calibration(reinterpret_cast<const std::uint8_t*>(bare.data()),
                                      static_cast<std::uint8_t>(bare.size()), &again));
    ASSERT_EQ(hex(written(wire_write_bare_calibration, again)), hex(bare));
    whole += read.calibration.output_count == 8 && read.calibration.readback_count == 6 ? 1 : 0;
  }
  EXPECT_GT(whole, 10) << "the longest ones were never drawn";
}

TEST(BoardMessages, ACalibrationTooLongForAFrameIsNotWritten) {
  calibration huge{};
  huge.serial_number = huge.calibrated_day = huge.uncertainty_uv = UINT32_MAX;
  huge.output_count = WIRE_OUTPUTS;
  huge.readback_count = WIRE_READBACKS;
  for (auto& output : huge.output) output = {INT32_MIN, UINT32_MAX, INT32_MIN};
  for (auto& readback : huge.readback) readback = {INT32_MIN, UINT32_MAX};
  EXPECT_EQ(written(wire_write_calibration, huge), "");
}

}  // namespace
}  // namespace dawnrig::interface_board
