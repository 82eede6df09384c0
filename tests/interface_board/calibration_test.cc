// The board's constants and its opinion of itself.
#include <gtest/gtest.h>

#include <cmath>
#include <functional>

#include "tests/interface_board/board_bench.h"

namespace dawnrig::interface_board {
namespace {

proto::Calibration example(std::uint32_t serial_number = 20'241) {
  proto::Calibration calibration;
  calibration.set_serial_number(serial_number);
  calibration.set_calibrated_day(20'783);
  calibration.set_board_mdegc(-2'500);
  calibration.set_uncertainty_uv(420);
  for (int i = 0; i < 8; ++i) {
    auto* output = calibration.add_output();
    output->set_zero_uv(-250'000 + 1'000 * i);
    output->set_span_uv(static_cast<std::uint32_t>(4'998'000 + 137 * i));
    output->set_bow_uv(250'000 - i);
  }
  for (int i = 0; i < 6; ++i) {
    auto* readback = calibration.add_readback();
    readback->set_zero_uv(-1'200 * i);
    readback->set_span_uv(static_cast<std::uint32_t>(5'003'000 + i));
  }
  calibration.set_valid(true);
  return calibration;
}

proto::Calibration stored_in(BoardBench& board) {
  board.answers.clear();
  board.ask(proto::Ask::CALIBRATION);
  board.run_for(8 * kMs);
  EXPECT_EQ(board.answers.size(), 1U);
  return board.answers.empty() ? proto::Calibration() : board.answers[0].message.calibration();
}

void store(BoardBench& board, const proto::Calibration& calibration) {
  board.answers.clear();
  board.send(calibration);
  board.run_for(1200 * kMs);  // 3.4 ms for each byte
  ASSERT_EQ(board.answers.size(), 1U) << "answered when it is done";
  ASSERT_EQ(board.answers[0].message.calibration().SerializeAsString(), calibration.SerializeAsString());
}

TEST(BoardCalibration, IsKeptOverAResetAndNamedInTheIdentity) {
  BoardBench board;
  board.run_for(5 * kMs);
  EXPECT_EQ(stored_in(board).SerializeAsString(), "") << "a new board has none";
  store(board, example());
  BoardBench again({}, board.processor().eeprom());
  again.run_for(8 * kMs);
  EXPECT_EQ(stored_in(again).SerializeAsString(), example().SerializeAsString());
  again.answers.clear();
  again.ask(proto::Ask::IDENTITY);
  again.run_for(4 * kMs);
  ASSERT_EQ(again.answers.size(), 1U);
  const auto& identity = again.answers[0].message.identity();
  EXPECT_EQ(identity.serial_number(), 20'241U);
  EXPECT_EQ(identity.calibrated_day(), 20'783U);
  EXPECT_TRUE(identity.calibration_valid());
}

TEST(BoardCalibration, IsWrittenOnlyWhereItChanged) {
  BoardBench board;
  board.run_for(5 * kMs);
  store(board, example());
  const std::int64_t writes = board.processor().eeprom_writes();
  store(board, example());
  EXPECT_EQ(board.processor().eeprom_writes(), writes) << "the same once more";
  store(board, example(20'242));
  EXPECT_LE(board.processor().eeprom_writes() - writes, 3) << "one byte of the number, two of the check";
}

TEST(BoardCalibration, OneWrongBitAnywhereIsNoticed) {
  BoardBench board;
  board.run_for(5 * kMs);
  store(board, example());
  const std::vector<std::uint8_t> right = board.processor().eeprom();
  std::size_t used = right.size();
  while (used > 0 && right[used - 1] == 0xFF) --used;
  ASSERT_GT(used, 150U);
  for (std::size_t at = 0; at < used; at += 7) {
    std::vector<std::uint8_t> spoiled = right;
    spoiled[at] = static_cast<std::uint8_t>(spoiled[at] ^ (1U << (at % 8)));
    BoardBench again({}, spoiled);
    again.run_for(8 * kMs);
    ASSERT_GE(again.reports.size(), 2U);
    ASSERT_FALSE(stored_in(again).valid()) << "byte " << at;
  }
}

TEST(BoardCalibration, CutOffInTheMiddleOfStoringIsNotWhole) {
  BoardBench board;
  board.run_for(5 * kMs);
  store(board, example());
  proto::Calibration other = example();
  for (auto& output : *other.mutable_output()) output.set_span_uv(output.span_uv() + 5'000);
  board.send(other);
  board.run_for(40 * kMs);
  BoardBench again({}, board.processor().eeprom());
  again.run_for(8 * kMs);
  EXPECT_FALSE(stored_in(again).valid()) << "half old, half new";
}

TEST(BoardCalibration, WhatCannotBeIsRefusedAndTheOldOneStays) {
  const std::pair<const char*, std::function<void(proto::Calibration&)>> wrongs[] = {
      {"no serial number", [](auto& c) { c.clear_serial_number(); }},
      {"no day", [](auto& c) { c.clear_calibrated_day(); }},
      {"not said to be valid", [](auto& c) { c.clear_valid(); }},
      {"seven outputs", [](auto& c) { c.mutable_output()->RemoveLast(); }},
      {"five read-backs", [](auto& c) { c.mutable_readback()->RemoveLast(); }},
      {"a zero of 0.3 V", [](auto& c) { c.mutable_output(3)->set_zero_uv(300'000); }},
      {"a bow of -0.3 V", [](auto& c) { c.mutable_output(3)->set_bow_uv(-300'000); }},
      {"a span of half a volt", [](auto& c) { c.mutable_output(0)->set_span_uv(500'000); }},
      {"a span of 11 V", [](auto& c) { c.mutable_output(7)->set_span_uv(11'000'000); }},
      {"a read-back over 21 V", [](auto& c) { c.mutable_readback(5)->set_span_uv(21'000'000); }},
      {"a board at 200 degrees", [](auto& c) { c.set_board_mdegc(200'000); }},
      {"an uncertainty of 2 V", [](auto& c) { c.set_uncertainty_uv(2'000'000); }},
  };
  BoardBench board;
  board.run_for(5 * kMs);
  store(board, example());
  for (const auto& [what, spoil] : wrongs) {
    proto::Calibration wrong = example(99);
    spoil(wrong);
    board.answers.clear();
    board.send(wrong);
    board.run_for(10 * kMs);
    ASSERT_EQ(board.answers.size(), 1U) << what;
    EXPECT_EQ(board.answers[0].message.calibration().SerializeAsString(), example().SerializeAsString()) << what;
  }
}

proto::SelfTest tested(BoardBench& board) {
  board.answers.clear();
  board.ask(proto::Ask::SELF_TEST);
  board.run_for(600 * kMs);
  EXPECT_EQ(board.answers.size(), 1U) << "no answer after 0.6 s";
  return board.answers.empty() ? proto::SelfTest() : board.answers[0].message.self_test();
}

TEST(BoardSelfTest, PassesOnASoundBoardAndLeavesItAsItWas) {
  BoardBench board;
  board.run_for(5 * kMs);
  board.circuit().set_gate(0, true);  // whatever the device does
  bool closed = false;
  board.circuit().on_lines = [&](Cycle at) { closed = closed || board.circuit().sense_v(at, 0).has_value(); };
  const proto::SelfTest test = tested(board);
  EXPECT_TRUE(test.passed()) << test.DebugString();
  EXPECT_EQ(test.failures(), 0U);
  EXPECT_FALSE(closed) << "the device must see nothing of it";
  ASSERT_EQ(test.readback_sum_size(), 12);
  const double codes[] = {0x1999, 0x8000, 0xE666};
  for (int i = 0; i < 12; ++i) {
    EXPECT_NEAR(test.readback_sum(i) & 0xFFFF, codes[i % 3] / 4, 16.0) << "gate off, place " << i;
    EXPECT_NEAR(test.readback_sum(i) >> 16, codes[i % 3] / 4, 16.0) << "gate on, place " << i;
  }
  EXPECT_EQ(test.pattern_true_on_ticks(), 512U);
  for (int gate = 0; gate < 2; ++gate) {
    EXPECT_NEAR(test.pattern_on_ticks(gate), 512.0, 1.0);
    EXPECT_NEAR(test.pattern_period_ticks(gate), 2048.0, 1.0);
  }
  board.circuit().on_lines = nullptr;
  board.configure(BoardBench::usual_configuration());
  board.tick_each_ms(BoardBench::levels({40'000, 0, 0, 0}, {30'000, 0, 0, 0}));
  board.run_for(20 * kMs);
  EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), 40'000 * 5.0 / 65535.0, 1e-6);
  EXPECT_EQ(board.last_report().gate_1().flags() & proto::GATE_ON, 1U) << "the device's gate again";
}

/// From the edge to within one count of 4.0 V: the filter's time constant times the logarithm of 820, and the switch.
TEST(BoardSelfTest, MeasuresHowLongAnOutputTakesToSettle) {
  for (const double farads : {10e-9, 15e-9, 22e-9}) {
    BoardCircuitParams circuit;
    circuit.filter_f = farads;
    BoardBench board(circuit);
    board.run_for(5 * kMs);
    const proto::SelfTest test = tested(board);
    ASSERT_EQ(test.settled_ns_size(), 4);
    const double step_counts = (0xE666 - 0x1999) / 64.0;
    const double settled_us = (circuit.gate_delay_s + 100.0 * farads * std::log(step_counts / 1.5)) * 1e6;
    for (int channel = 0; channel < 4; ++channel) {
      EXPECT_NEAR(test.settled_ns(channel) / 1e3, settled_us, 1.5) << "channel " << channel << ", " << farads << " F";
    }
    EXPECT_TRUE(test.passed());
  }
}

struct Defect {
  const char* what;
  std::uint32_t failure;
  std::function<void(BoardCircuitParams&)> solder;
};

TEST(BoardSelfTest, NamesWhatIsBroken) {
  const Defect defects[] = {
      {"an output 3 % off", 1U << 1, [](auto& c) { c.gain_error_frac[3] = -0.03; }},
      {"an output 0.2 V off", 1U << 2, [](auto& c) { c.zero_v[4] = 0.2; }},
      {"level switches that do not move", 15U, [](auto& c) { c.level_switch_stuck = true; }},
      {"gate 1 not connected", 256U, [](auto& c) { c.gate_1_broken = true; }},
      {"a filter ten times too slow", 240U, [](auto& c) { c.filter_f = 100e-9; }},
      {"the converter's reference 4 % low", 1024U, [](auto& c) { c.dac_reference_v = 2.4; }},
  };
  for (const Defect& defect : defects) {
    BoardCircuitParams circuit;
    defect.solder(circuit);
    BoardBench board(circuit);
    board.run_for(5 * kMs);
    const proto::SelfTest test = tested(board);
    EXPECT_FALSE(test.passed()) << defect.what;
    EXPECT_EQ(test.failures() & defect.failure, defect.failure) << defect.what << ": " << test.ShortDebugString();
  }
}

TEST(BoardSelfTest, NamesACalibrationThatIsNotWhole) {
  BoardBench board({}, std::vector<std::uint8_t>{5, 1, 2, 3, 4, 5, 6, 7});
  board.run_for(5 * kMs);
  EXPECT_EQ(tested(board).failures(), 2048U);
}

TEST(BoardSelfTest, IsRefusedWhileADeviceIsServed) {
  BoardBench board;
  board.run_for(5 * kMs);
  board.configure(BoardBench::usual_configuration());
  board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  const proto::SelfTest test = tested(board);
  EXPECT_TRUE(test.refused());
  EXPECT_FALSE(test.passed());
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
}

TEST(BoardSelfTest, HearsTheHostAllTheWhile) {
  BoardBench board;
  board.run_for(5 * kMs);
  board.tick_each_ms(BoardBench::levels({1, 2, 3, 4}, {5, 6, 7, 8}));
  EXPECT_TRUE(tested(board).passed());
  board.answers.clear();
  board.ask(proto::Ask::HEALTH);
  board.run_for(4 * kMs);
  ASSERT_EQ(board.answers.size(), 1U);
  const auto& health = board.answers[0].message.health();
  EXPECT_EQ(health.bytes_lost(), 0U);
  EXPECT_EQ(health.frames_broken(), 0U);
  EXPECT_EQ(health.ticks_missing(), 0U);
}

TEST(BoardSelfTest, IsBrokenOffByAConfiguration) {
  BoardBench board;
  board.run_for(5 * kMs);
  board.ask(proto::Ask::SELF_TEST);
  board.run_for(100 * kMs);
  board.configure(BoardBench::usual_configuration());
  board.tick_each_ms(BoardBench::levels({40'000, 0, 0, 0}, {30'000, 0, 0, 0}));
  board.circuit().set_gate(0, true);
  board.run_for(600 * kMs);
  EXPECT_EQ(board.last_report().safe_cause(), proto::SAFE_NO_CAUSE);
  EXPECT_NEAR(*board.circuit().sense_v(board.processor().now(), 0), 40'000 * 5.0 / 65535.0, 1e-6);
}

}  // namespace
}  // namespace dawnrig::interface_board
