#include "harness/link/session.h"

#include <type_traits>
#include <variant>

namespace dawnrig::link {

Session::Session(ByteStream& stream) : stream_{stream} {}

void Session::restart() {
  decoder_.restart();
  reports_.restart();
  unwrapper_.restart();
  clock_.restart();
  sent_at_.fill(std::nullopt);
  pending_.size = 0;
  pending_from_ = 0;
}

LinkCounts Session::counts() const {
  return {decoder_.counts(), reports_.counts(), unreadable_, unsent_, round_trip_};
}

bool Session::pump(Nanos now, Listener& listener) {
  std::array<std::uint8_t, 512> chunk;
  for (std::size_t got = stream_.read(chunk); got > 0; got = stream_.read(chunk)) {
    for (std::size_t i = 0; i < got; ++i) {
      if (const auto payload = decoder_.take(chunk[i])) {
        hear(*payload, now, listener);
      }
    }
  }
  return stream_.state() == LineState::kUp;
}

void Session::hear(std::span<const std::uint8_t> payload, Nanos now, Listener& listener) {
  const std::optional<FromBoard> message = codec_.decode(payload);
  if (!message) {
    ++unreadable_;
    return;
  }
  const auto* report = std::get_if<Report>(&*message);
  if (report == nullptr) {
    listener.on_answer(*message);
    return;
  }
  const SequenceWatch::Kind kind = reports_.see(report->sequence);
  if (kind == SequenceWatch::Kind::kLate || kind == SequenceWatch::Kind::kDuplicate) {
    return;  // everything in a report is a total: the newest says it all
  }
  if (kind == SequenceWatch::Kind::kRestarted) {
    unwrapper_.restart();
    clock_.restart();
  }
  TimedReport timed{*report, unwrapper_.extended(report->at_ticks), now};
  clock_.add(timed.board, now);
  note_round_trip(report->host_sequence, now);
  listener.on_report(timed);
}

void Session::note_round_trip(std::uint16_t host_sequence, Nanos now) {
  std::optional<Nanos>& sent = sent_at_[host_sequence & 0xFFU];
  if (sent) {
    round_trip_.add(now - *sent);
    sent.reset();
  }
}

bool Session::send_tick(Tick tick, Nanos now) {
  tick.sequence = ++sequence_;
  const bool sent = send(tick);
  sent_at_[sequence_ & 0xFFU] = sent ? std::optional{now} : std::nullopt;
  return sent;
}

bool Session::send(const ToBoard& message) {
  if (!flush()) {
    ++unsent_;
    return false;
  }
  std::array<std::uint8_t, kMostPayloadBytes> payload;
  const std::size_t size = codec_.encode(message, payload);
  const auto frame = size == 0 ? std::nullopt : framed({payload.data(), size});
  if (!frame) {
    ++unsent_;
    return false;
  }
  pending_ = *frame;
  pending_from_ = 0;
  return flush();
}

bool Session::flush() {
  while (pending_from_ < pending_.size) {
    const std::size_t took = stream_.write(pending_.view().subspan(pending_from_));
    if (took == 0) {
      return false;
    }
    pending_from_ += took;
  }
  pending_.size = 0;
  pending_from_ = 0;
  return true;
}

}  // namespace dawnrig::link
