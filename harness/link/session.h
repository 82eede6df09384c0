// A conversation with the interface board over a line: frames in, messages out, nobody ever waited for.
// Room: harness/link. May use plant/core.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <variant>

#include "harness/link/board_clock.h"
#include "harness/link/byte_stream.h"
#include "harness/link/frame.h"
#include "harness/link/message.h"
#include "harness/link/sequence.h"

namespace dawnrig::link {

/// Time for whoever has to let some pass: the wall's, or one that a simulation moves on.
class Clock {
 public:
  virtual ~Clock() = default;
  [[nodiscard]] virtual Nanos now() const = 0;
  /// Returns at `time` or later; at once if that has passed.
  virtual void sleep_until(Nanos time) = 0;
};

/// A report with its time on the unwrapped board clock, which counts from the board's power-up.
struct TimedReport {
  Report report;
  Nanos board{0};
  Nanos received{0};  ///< by the host's clock
};

/// Whoever hears what the board says. Called from inside pump(), in the order of the line.
class Listener {
 public:
  virtual ~Listener() = default;
  virtual void on_report(const TimedReport& report) = 0;
  /// An answer of any other kind.
  virtual void on_answer(const FromBoard& answer) = 0;
};

struct LinkCounts {
  FrameCounts frames;
  SequenceWatch::Counts reports;
  std::int64_t unreadable{0};  ///< whole frames that held no message for a host
  std::int64_t unsent{0};      ///< messages that the line did not take
  DurationStats round_trip;    ///< tick sent to the first report that names it
};

/// Free-running: sending and hearing are independent. After its construction nothing allocates, waits or throws.
class Session {
 public:
  explicit Session(ByteStream& stream);

  /// Hears everything that has come by `now`. False: the line is gone.
  bool pump(Nanos now, Listener& listener);
  /// Numbers the tick and sends it. False: the line took none or only part of it (the rest follows with the next call
  /// of any kind, so the board still gets whole frames).
  bool send_tick(Tick tick, Nanos now);
  bool send(const ToBoard& message);

  [[nodiscard]] std::uint16_t last_sequence() const { return sequence_; }
  [[nodiscard]] const ClockEstimator& clock() const { return clock_; }
  [[nodiscard]] LinkCounts counts() const;
  [[nodiscard]] ByteStream& stream() { return stream_; }
  /// After the line was cut and opened anew: begins with a clean frame, and believes no old number.
  void restart();

 private:
  void hear(std::span<const std::uint8_t> payload, Nanos now, Listener& listener);
  void note_round_trip(std::uint16_t host_sequence, Nanos now);
  [[nodiscard]] bool flush();

  ByteStream& stream_;
  MessageCodec codec_;
  FrameDecoder decoder_;
  SequenceWatch reports_;
  CounterUnwrapper unwrapper_;
  ClockEstimator clock_;
  std::int64_t unreadable_{0}, unsent_{0};
  DurationStats round_trip_;
  std::uint16_t sequence_{0};
  std::array<std::optional<Nanos>, 256> sent_at_{};  // by the low byte of the sequence
  WireFrame pending_;
  std::size_t pending_from_{0};
};

/// Asks until an answer of type Answer comes: sends `question` every 100 ms, hears the line every millisecond. nullopt:
/// none came within `patience`, or the line is gone. Not for the real-time loop.
template <class Answer>
[[nodiscard]] std::optional<Answer> ask(Session& session, Clock& clock, const ToBoard& question, Nanos patience,
                                        Nanos repeat = Nanos{100'000'000}) {
  class Waiting final : public Listener {
   public:
    void on_report(const TimedReport& /*report*/) override {}
    void on_answer(const FromBoard& answer) override {
      if (const auto* wanted = std::get_if<Answer>(&answer)) {
        heard = *wanted;
      }
    }
    std::optional<Answer> heard;
  } waiting;
  constexpr Nanos kLook{1'000'000};
  const Nanos end = clock.now() + patience;
  Nanos next_question = clock.now();
  while (!waiting.heard) {
    const Nanos now = clock.now();
    if (!session.pump(now, waiting)) {
      return std::nullopt;
    }
    if (waiting.heard || now >= end) {
      break;
    }
    if (now >= next_question) {
      session.send(question);
      next_question = now + repeat;
    }
    clock.sleep_until(now + kLook);
  }
  return waiting.heard;
}

}  // namespace dawnrig::link
