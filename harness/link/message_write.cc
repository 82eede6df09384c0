#include "harness/link/message_parts.h"
#include "proto/board_link.pb.h"

namespace dawnrig::link {

namespace {

constexpr std::uint32_t word(unsigned high, unsigned low) {
  return static_cast<std::uint32_t>(high) << 16U | low;
}

void fill(proto::ToBoard& message, const Tick& tick) {
  proto::Tick& out = *message.mutable_tick();
  out.set_sequence(tick.sequence);
  out.set_hold_from_ticks(tick.hold_from_ticks);
  if (tick.levels) {
    out.mutable_level_lsb()->Reserve(kChannels);
    for (const LevelCodes& level : *tick.levels) {
      out.add_level_lsb(word(level.on_lsb, level.off_lsb));
    }
  }
  out.set_lines(tick.lines);
  if (tick.device_serial.size > 0) {
    out.set_device_serial(tick.device_serial.bytes.data(), tick.device_serial.size);
  }
}

void fill(proto::ToBoard& message, const Ask& ask) {
  message.mutable_ask()->set_question(static_cast<proto::Ask::Question>(ask.question));
  message.mutable_ask()->set_link_version(kLinkVersion);
}

void fill(proto::ToBoard& message, const Configure& configure) {
  proto::Configure& out = *message.mutable_configure();
  out.set_link_version(configure.link_version);
  out.set_gates_used(configure.gates_used);
  out.set_gates_active_low(configure.gates_active_low);
  out.set_selecting_gate(configure.selecting_gate);
  out.set_two_level_channels(configure.two_level_channels);
  out.set_connected_channels(configure.connected_channels);
  for (const std::uint16_t code : configure.safe_lsb) {
    out.add_safe_lsb(code);
  }
  out.set_safe_outputs(configure.hold_outputs_when_safe ? proto::SAFE_OUTPUTS_HELD : proto::SAFE_OUTPUTS_OPEN);
  out.set_safe_lines(configure.safe_lines);
  out.set_device_baud(configure.device_baud);
}

void fill_calibration(proto::Calibration& out, const Calibration& calibration) {
  out.set_serial_number(calibration.serial_number);
  out.set_calibrated_day(calibration.calibrated_day);
  out.set_board_mdegc(calibration.board_mdegc);
  out.set_uncertainty_uv(calibration.uncertainty_uv);
  for (const OutputCalibration& one : calibration.output) {
    proto::OutputCalibration& output = *out.add_output();
    output.set_zero_uv(one.zero_uv);
    output.set_span_uv(one.span_uv);
    output.set_bow_uv(one.bow_uv);
  }
  for (const ReadbackCalibration& one : calibration.readback) {
    proto::ReadbackCalibration& readback = *out.add_readback();
    readback.set_zero_uv(one.zero_uv);
    readback.set_span_uv(one.span_uv);
  }
  out.set_valid(calibration.valid);
}

void fill(proto::ToBoard& message, const Calibration& calibration) {
  fill_calibration(*message.mutable_store_calibration(), calibration);
}
void fill(proto::FromBoard& message, const Calibration& calibration) {
  fill_calibration(*message.mutable_calibration(), calibration);
}

void fill_gate(proto::GateReport& out, const GateReport& gate) {
  out.set_edges(gate.edges);
  out.set_on_ticks(gate.on_ticks);
  out.set_last_edge_ticks(gate.last_edge_ticks);
  out.set_on_pulse_ticks(gate.on_pulse_ticks);
  out.set_longest_period_ticks(gate.longest_period_ticks);
  out.set_shortest_period_ticks(gate.shortest_period_ticks);
  out.set_flags(unsigned{gate.on} * proto::GATE_ON + unsigned{gate.is_static} * proto::GATE_STATIC);
  out.set_glitches(gate.glitches);
  out.set_lost_edges(gate.lost_edges);
}

void fill(proto::FromBoard& message, const Report& report) {
  proto::Report& out = *message.mutable_report();
  out.set_sequence(report.sequence);
  out.set_at_ticks(report.at_ticks);
  out.set_host_sequence(report.host_sequence);
  out.set_applied_sequence(report.applied_sequence);
  if (report.gate[0]) {
    fill_gate(*out.mutable_gate_1(), *report.gate[0]);
  }
  if (report.gate[1]) {
    fill_gate(*out.mutable_gate_2(), *report.gate[1]);
  }
  out.set_pins(report.pins);
  out.set_safe_cause(static_cast<proto::SafeCause>(report.safe_cause));
  out.set_readback_input(report.readback_input);
  out.set_readback_lsb(report.readback_lsb);
  out.set_readback_gate_on(report.readback_gate_on);
  if (report.device_serial.size > 0) {
    out.set_device_serial(report.device_serial.bytes.data(), report.device_serial.size);
  }
}

void fill(proto::FromBoard& message, const Identity& identity) {
  proto::BoardIdentity& out = *message.mutable_identity();
  out.set_link_version(identity.link_version);
  out.set_firmware_version(identity.firmware_version);
  out.set_serial_number(identity.serial_number);
  out.set_calibrated_day(identity.calibrated_day);
  out.set_calibration_valid(identity.calibration_valid);
  out.set_reset_cause(identity.reset_cause);
  out.set_safe_cause(static_cast<proto::SafeCause>(identity.safe_cause));
}

void fill(proto::FromBoard& message, const Configured& configured) {
  proto::Configured& out = *message.mutable_configured();
  out.set_accepted(configured.accepted);
  out.set_wrong_field(configured.wrong_field);
  out.set_board_link_version(configured.board_link_version);
  out.set_host_link_version(configured.host_link_version);
}

void fill(proto::FromBoard& message, const Health& health) {
  proto::Health& out = *message.mutable_health();
  out.set_frames_taken(health.frames_taken);
  out.set_frames_broken(health.frames_broken);
  out.set_messages_refused(health.messages_refused);
  out.set_ticks_repeated(health.ticks_repeated);
  out.set_ticks_missing(health.ticks_missing);
  out.set_ticks_late(health.ticks_late);
  out.set_ticks_too_early(health.ticks_too_early);
  out.set_bytes_lost(health.bytes_lost);
  out.set_reports_skipped(health.reports_skipped);
  out.set_busiest_tick_cycles(health.busiest_tick_cycles);
  out.set_serial_bytes_lost(health.serial_bytes_lost);
}

void fill(proto::FromBoard& message, const SelfTest& test) {
  proto::SelfTest& out = *message.mutable_self_test();
  out.set_refused(test.refused);
  out.set_passed(test.passed);
  for (const auto& channel : test.readback) {
    for (const SelfTest::Readback& one : channel) {
      out.add_readback_sum(word(one.on_sum, one.off_sum));
    }
  }
  for (std::size_t i = 0; i < kChannels; ++i) {
    out.add_settled_ns(test.settled_ns[i]);
  }
  for (std::size_t i = 0; i < 2; ++i) {
    out.add_pattern_on_ticks(test.pattern_on_ticks[i]);
    out.add_pattern_period_ticks(test.pattern_period_ticks[i]);
  }
  out.set_pattern_true_on_ticks(test.pattern_true_on_ticks);
  out.set_pattern_true_period_ticks(test.pattern_true_period_ticks);
  out.set_failures(test.failures);
}

}  // namespace

void write(const ToBoard& plain, proto::ToBoard& message) {
  std::visit([&message](const auto& one) { fill(message, one); }, plain);
}
void write(const FromBoard& plain, proto::FromBoard& message) {
  std::visit([&message](const auto& one) { fill(message, one); }, plain);
}

}  // namespace dawnrig::link
