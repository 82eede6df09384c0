// A board's end of a line, speaking when a test says so, and a clock that a test moves.
// Room: tests/link.
#pragma once

#include <functional>
#include <vector>

#include "harness/link/session.h"

namespace dawnrig::link {

class ScriptedBoard {
 public:
  explicit ScriptedBoard(ByteStream& line) : line_{line} {}

  void hear() {
    std::array<std::uint8_t, 256> chunk;
    for (std::size_t got = line_.read(chunk); got > 0; got = line_.read(chunk)) {
      for (std::size_t i = 0; i < got; ++i) {
        const auto payload = decoder_.take(chunk[i]);
        if (!payload) continue;
        const auto message = codec_.decode_to_board(*payload);
        if (!message) {
          ++broken;
        } else if (const auto* tick = std::get_if<Tick>(&*message)) {
          ticks.push_back(*tick);
        } else if (const auto* question = std::get_if<Ask>(&*message)) {
          asks.push_back(*question);
        }
      }
    }
    broken = decoder_.counts().bad();
  }
  [[nodiscard]] std::vector<std::uint8_t> report_frame(Nanos at) {
    Report report;
    report.sequence = sequence_++;
    report.at_ticks = counter_at(at);
    report.host_sequence = ticks.empty() ? std::uint16_t{0} : ticks.back().sequence;
    return frame_of(report);
  }
  void report(Nanos at) { raw(report_frame(at)); }
  void say(const FromBoard& message) { raw(frame_of(message)); }
  void raw(const std::vector<std::uint8_t>& bytes) { static_cast<void>(line_.write(bytes)); }
  void restart() { sequence_ = 0; }

  std::vector<Tick> ticks;
  std::vector<Ask> asks;
  std::int64_t broken{0};

 private:
  std::vector<std::uint8_t> frame_of(const FromBoard& message) {
    std::array<std::uint8_t, kMostPayloadBytes> payload;
    const std::size_t size = codec_.encode(message, payload);
    const auto frame = framed({payload.data(), size}).value();
    return {frame.view().begin(), frame.view().end()};
  }
  ByteStream& line_;
  MessageCodec codec_;
  FrameDecoder decoder_;
  std::uint16_t sequence_{0};
};

class ScriptedClock final : public Clock {
 public:
  [[nodiscard]] Nanos now() const override { return now_; }
  void sleep_until(Nanos time) override {
    now_ = std::max(now_, time);
    on_time();
  }
  std::function<void()> on_time{[] {}};

 private:
  Nanos now_{0};
};

}  // namespace dawnrig::link
