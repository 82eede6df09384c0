#include <algorithm>

#include "harness/link/message_parts.h"
#include "proto/board_link.pb.h"

namespace dawnrig::link {

namespace {

std::uint16_t low_of(std::uint32_t value) {
  return static_cast<std::uint16_t>(value & 0xFFFFU);
}
std::uint16_t high_of(std::uint32_t value) {
  return static_cast<std::uint16_t>(value >> 16U);
}

template <std::size_t kMost>
bool copy_bytes(const std::string& from, ShortBytes<kMost>& to) {
  if (from.size() > kMost) {
    return false;
  }
  std::copy(from.begin(), from.end(), to.bytes.begin());
  to.size = from.size();
  return true;
}

GateReport read_gate(const proto::GateReport& in) {
  GateReport gate;
  gate.edges = in.edges();
  gate.on_ticks = in.on_ticks();
  gate.last_edge_ticks = in.last_edge_ticks();
  gate.on_pulse_ticks = in.on_pulse_ticks();
  gate.longest_period_ticks = in.longest_period_ticks();
  gate.shortest_period_ticks = in.shortest_period_ticks() == 0 ? in.longest_period_ticks() : in.shortest_period_ticks();
  gate.on = (in.flags() & proto::GATE_ON) != 0;
  gate.is_static = (in.flags() & proto::GATE_STATIC) != 0;
  gate.glitches = in.glitches();
  gate.lost_edges = in.lost_edges();
  return gate;
}

std::optional<FromBoard> read(const proto::Report& in) {
  Report report;
  report.sequence = low_of(in.sequence());
  report.at_ticks = in.at_ticks();
  report.host_sequence = low_of(in.host_sequence());
  report.applied_sequence = low_of(in.applied_sequence());
  if (in.has_gate_1()) {
    report.gate[0] = read_gate(in.gate_1());
  }
  if (in.has_gate_2()) {
    report.gate[1] = read_gate(in.gate_2());
  }
  report.pins = in.pins();
  report.safe_cause = static_cast<std::uint32_t>(in.safe_cause());
  report.readback_input = in.readback_input();
  report.readback_lsb = in.readback_lsb();
  report.readback_gate_on = in.readback_gate_on();
  if (!copy_bytes(in.device_serial(), report.device_serial)) {
    return std::nullopt;
  }
  return report;
}

Identity read(const proto::BoardIdentity& in) {
  return {in.link_version(),
          in.firmware_version(),
          in.serial_number(),
          in.calibrated_day(),
          in.calibration_valid(),
          in.reset_cause(),
          static_cast<std::uint32_t>(in.safe_cause())};
}

Configured read(const proto::Configured& in) {
  return {in.accepted(), in.wrong_field(), in.board_link_version(), in.host_link_version()};
}

std::optional<Calibration> read_calibration(const proto::Calibration& in) {
  if (in.output_size() != static_cast<int>(kOutputs) || in.readback_size() != static_cast<int>(kReadbacks)) {
    return std::nullopt;
  }
  Calibration calibration;
  calibration.serial_number = in.serial_number();
  calibration.calibrated_day = in.calibrated_day();
  calibration.board_mdegc = in.board_mdegc();
  calibration.uncertainty_uv = in.uncertainty_uv();
  for (std::size_t i = 0; i < kOutputs; ++i) {
    const proto::OutputCalibration& one = in.output(static_cast<int>(i));
    calibration.output[i] = {one.zero_uv(), one.span_uv(), one.bow_uv()};
  }
  for (std::size_t i = 0; i < kReadbacks; ++i) {
    const proto::ReadbackCalibration& one = in.readback(static_cast<int>(i));
    calibration.readback[i] = {one.zero_uv(), one.span_uv()};
  }
  calibration.valid = in.valid();
  return calibration;
}

Health read(const proto::Health& in) {
  return {in.frames_taken(),    in.frames_broken(),       in.messages_refused(), in.ticks_repeated(),
          in.ticks_missing(),   in.ticks_late(),          in.ticks_too_early(),  in.bytes_lost(),
          in.reports_skipped(), in.busiest_tick_cycles(), in.serial_bytes_lost()};
}

std::optional<FromBoard> read(const proto::SelfTest& in) {
  SelfTest test;
  test.refused = in.refused();
  test.passed = in.passed();
  test.failures = in.failures();
  if (test.refused) {
    return test;
  }
  if (in.readback_sum_size() != static_cast<int>(3 * kChannels) ||
      in.settled_ns_size() != static_cast<int>(kChannels) || in.pattern_on_ticks_size() != 2 ||
      in.pattern_period_ticks_size() != 2) {
    return std::nullopt;
  }
  for (std::size_t i = 0; i < 3 * kChannels; ++i) {
    const std::uint32_t both = in.readback_sum(static_cast<int>(i));
    test.readback[i / 3][i % 3] = {low_of(both), high_of(both)};
  }
  for (std::size_t i = 0; i < kChannels; ++i) {
    test.settled_ns[i] = in.settled_ns(static_cast<int>(i));
  }
  for (std::size_t i = 0; i < 2; ++i) {
    test.pattern_on_ticks[i] = in.pattern_on_ticks(static_cast<int>(i));
    test.pattern_period_ticks[i] = in.pattern_period_ticks(static_cast<int>(i));
  }
  test.pattern_true_on_ticks = in.pattern_true_on_ticks();
  test.pattern_true_period_ticks = in.pattern_true_period_ticks();
  return test;
}

std::optional<ToBoard> read(const proto::Tick& in) {
  Tick tick;
  tick.sequence = low_of(in.sequence());
  tick.hold_from_ticks = in.hold_from_ticks();
  if (in.level_lsb_size() == static_cast<int>(kChannels)) {
    tick.levels.emplace();
    for (std::size_t i = 0; i < kChannels; ++i) {
      const std::uint32_t both = in.level_lsb(static_cast<int>(i));
      (*tick.levels)[i] = {high_of(both), low_of(both)};
    }
  } else if (in.level_lsb_size() != 0) {
    return std::nullopt;
  }
  tick.lines = in.lines();
  if (!copy_bytes(in.device_serial(), tick.device_serial)) {
    return std::nullopt;
  }
  return tick;
}

std::optional<ToBoard> read(const proto::Configure& in) {
  if (in.safe_lsb_size() != static_cast<int>(kChannels)) {
    return std::nullopt;
  }
  Configure configure;
  configure.link_version = in.link_version();
  configure.gates_used = in.gates_used();
  configure.gates_active_low = in.gates_active_low();
  configure.selecting_gate = in.selecting_gate();
  configure.two_level_channels = in.two_level_channels();
  configure.connected_channels = in.connected_channels();
  for (std::size_t i = 0; i < kChannels; ++i) {
    configure.safe_lsb[i] = low_of(in.safe_lsb(static_cast<int>(i)));
  }
  configure.hold_outputs_when_safe = in.safe_outputs() == proto::SAFE_OUTPUTS_HELD;
  configure.safe_lines = in.safe_lines();
  configure.device_baud = in.device_baud();
  return configure;
}

template <class Plain>
std::optional<Plain> widened(const std::optional<Calibration>& calibration) {
  return calibration ? std::optional<Plain>{*calibration} : std::nullopt;
}

}  // namespace

std::optional<FromBoard> read_message(const proto::FromBoard& message) {
  switch (message.what_case()) {
    case proto::FromBoard::kReport:
      return read(message.report());
    case proto::FromBoard::kIdentity:
      return read(message.identity());
    case proto::FromBoard::kConfigured:
      return read(message.configured());
    case proto::FromBoard::kCalibration:
      return widened<FromBoard>(read_calibration(message.calibration()));
    case proto::FromBoard::kHealth:
      return read(message.health());
    case proto::FromBoard::kSelfTest:
      return read(message.self_test());
    case proto::FromBoard::WHAT_NOT_SET:
      break;
  }
  return std::nullopt;
}

std::optional<ToBoard> read_message(const proto::ToBoard& message) {
  switch (message.what_case()) {
    case proto::ToBoard::kTick:
      return read(message.tick());
    case proto::ToBoard::kAsk:
      return Ask{static_cast<Question>(message.ask().question())};
    case proto::ToBoard::kConfigure:
      return read(message.configure());
    case proto::ToBoard::kStoreCalibration:
      return widened<ToBoard>(read_calibration(message.store_calibration()));
    case proto::ToBoard::WHAT_NOT_SET:
      break;
  }
  return std::nullopt;
}

}  // namespace dawnrig::link
