#include "tests/interface_board/board_bench.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <limits>

namespace dawnrig::interface_board {
namespace {

constexpr Cycle kNever = std::numeric_limits<Cycle>::max();

device::DeviceParams board_processor(std::uint64_t seed) {
  device::DeviceParams params;
  params.part = "atmega2560";
  params.aref_v = 2.5;
  params.startup_delay_s = 0;
  params.seed = seed;
  params.watched = BoardCircuit::watched_pins();
  return params;
}

}  // namespace

const device::Image& board_image() {
  static const device::Image image =
      device::load_image(DAWNRIG_BINARY_DIR "/fixtures/interface_board/interface_board.elf", "atmega2560");
  return image;
}

bool Wave::level_at(Cycle at) const {
  const Cycle phase = ((at - from) % period + period) % period;
  return phase < high;
}

Cycle Wave::next_edge(Cycle after) const {
  if (high <= 0 || high >= period) {
    return kNever;
  }
  const Cycle phase = ((after - from) % period + period) % period;
  return after + (phase < high ? high - phase : period - phase);
}

BoardBench::BoardBench(const BoardCircuitParams& circuit, std::span<const std::uint8_t> eeprom, std::uint64_t seed)
    : circuit_(circuit) {
  processor_ = std::make_unique<device::VirtualDevice>(board_processor(seed), board_image(), circuit_);
  processor_->set_eeprom(eeprom);
  circuit_.attach(*processor_);
  circuit_.on_host_byte = [this](Cycle at, std::uint8_t byte) { hear(at, byte); };
  circuit_.on_device_byte = [this](Cycle at, std::uint8_t byte) {
    from_board_to_device += static_cast<char>(byte);
    device_bytes_at.push_back(at);
  };
  circuit_.on_levels_taken_over = [this](Cycle at) { taken_over.push_back(at); };
}

void BoardBench::hear(Cycle at, std::uint8_t byte) {
  const auto payload = decoder_.take(byte);
  if (!payload) {
    return;
  }
  Heard heard{at, {}};
  ASSERT_TRUE(heard.message.ParseFromArray(payload->data(), static_cast<int>(payload->size())))
      << "the board sent " << payload->size() << " bytes that are no message, at cycle " << at;
  (heard.message.has_report() ? reports : answers).push_back(heard);
}

void BoardBench::run_until(Cycle until) {
  while (processor_->now() < until) {
    const Cycle now = processor_->now();
    Cycle next = until;
    for (const auto& wave : waves_) {
      if (wave) {
        next = std::min(next, wave->next_edge(now));
      }
    }
    if (next_tick_) {
      next = std::min(next, std::max(*next_tick_, now + 1));
    }
    ASSERT_EQ(processor_->run_until(next), device::RunStatus::kRunning) << processor_->crash_reason();
    for (int gate = 0; gate < 2; ++gate) {
      if (const auto& wave = waves_[static_cast<std::size_t>(gate)]; wave) {
        circuit_.set_gate(gate, wave->level_at(processor_->now()));
      }
    }
    if (next_tick_ && processor_->now() >= *next_tick_) {
      *next_tick_ += kMs;
      send_tick();
    }
  }
}

void BoardBench::drive_gate(int gate, std::optional<Wave> wave) {
  waves_[static_cast<std::size_t>(gate)] = wave;
  circuit_.set_gate(gate, wave ? std::optional(wave->level_at(processor_->now())) : std::nullopt);
}

void BoardBench::tick_each_ms(const proto::Tick& shape, Cycle ahead) {
  shape_ = shape;
  ahead_ = ahead;
  next_tick_ = processor_->now() + kMs / 3;
}

void BoardBench::send_tick() {
  proto::Tick tick = shape_;
  tick.set_sequence(next_sequence());
  if (tick.level_lsb_size() > 0) {
    tick.set_hold_from_ticks(ticks_at(processor_->now() + ahead_));
  }
  send(tick);
}

void BoardBench::send(const proto::ToBoard& message) {
  const std::string bytes = message.SerializeAsString();
  const auto frame = link::framed({reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size()});
  ASSERT_TRUE(frame.has_value()) << bytes.size() << " bytes do not fit into a frame";
  processor_->send_serial(frame->view());
}

void BoardBench::send(const proto::Tick& tick) {
  proto::ToBoard message;
  *message.mutable_tick() = tick;
  send(message);
}
void BoardBench::send(const proto::Configure& configure) {
  proto::ToBoard message;
  *message.mutable_configure() = configure;
  send(message);
}
void BoardBench::send(const proto::Calibration& calibration) {
  proto::ToBoard message;
  *message.mutable_store_calibration() = calibration;
  send(message);
}
void BoardBench::ask(proto::Ask::Question question) {
  proto::ToBoard message;
  message.mutable_ask()->set_question(question);
  message.mutable_ask()->set_link_version(proto::BOARD_LINK_VERSION);
  send(message);
}

proto::Configure BoardBench::usual_configuration() {
  proto::Configure configure;
  configure.set_link_version(proto::BOARD_LINK_VERSION);
  configure.set_gates_used(1);
  configure.set_selecting_gate(1);
  configure.set_two_level_channels(0b0111);
  configure.set_connected_channels(0b1111);
  for (const std::uint32_t code : {52000U, 3000U, 32768U, 30000U}) {
    configure.add_safe_lsb(code);
  }
  configure.set_safe_outputs(proto::SAFE_OUTPUTS_HELD);
  configure.set_safe_lines(proto::LINE_SUPPLY);
  configure.set_device_baud(38400);
  return configure;
}

void BoardBench::configure(const proto::Configure& wanted) {
  answers.clear();
  send(wanted);
  run_for(4 * kMs);
  ASSERT_EQ(answers.size(), 1U);
  ASSERT_TRUE(answers[0].message.configured().accepted())
      << "field " << answers[0].message.configured().wrong_field() << " was refused";
}

proto::Tick BoardBench::levels(std::array<std::uint16_t, 4> on, std::array<std::uint16_t, 4> off) {
  proto::Tick tick;
  for (std::size_t i = 0; i < 4; ++i) {
    tick.add_level_lsb((static_cast<std::uint32_t>(on[i]) << 16) | off[i]);
  }
  tick.set_lines(proto::LINE_OUTPUTS | proto::LINE_SUPPLY);
  return tick;
}

const proto::Report& BoardBench::last_report() const {
  EXPECT_FALSE(reports.empty()) << "the board has not reported";
  static const proto::Report none;
  return reports.empty() ? none : reports.back().message.report();
}

std::uint32_t BoardBench::ticks_at(Cycle at) const {
  return static_cast<std::uint32_t>((at - clock_zero()) / kTickCycles);
}

// A board of its own, whose gate goes up at a known cycle: what its counter read then. The counter starts before
// anything that could take longer on one board than on another.
Cycle BoardBench::clock_zero() {
  static const Cycle zero = [] {
    BoardBench board;
    board.run_for(5 * kMs);
    const Cycle edge = board.processor().now();
    board.circuit().set_gate(0, true);
    board.run_for(3 * kMs);
    return edge - kTickCycles * static_cast<Cycle>(board.last_report().gate_1().last_edge_ticks());
  }();
  return zero;
}

double BoardBench::load_frac(Cycle over) {
  const Cycle from = processor_->now();
  const Cycle idle = processor_->idle_cycles();
  run_for(over);
  const Cycle passed = processor_->now() - from;
  return 1.0 - static_cast<double>(processor_->idle_cycles() - idle) / static_cast<double>(passed);
}

}  // namespace dawnrig::interface_board
