#include <algorithm>

#include "harness/base/bad_input.h"
#include "harness/base/hash.h"
#include "harness/trace/block_reader_internal.h"
#include "harness/trace/proto_identity_internal.h"
#include "harness/trace/recorder.h"
#include "trace.pb.h"

namespace dawnrig::trace {
namespace {

EventKind kind_of(proto::TraceEvent::Kind kind) {
  switch (kind) {
    case proto::TraceEvent::STIMULUS:
      return EventKind::kStimulus;
    case proto::TraceEvent::RESET:
      return EventKind::kReset;
    case proto::TraceEvent::SERIAL_OUT:
      return EventKind::kSerialOut;
    case proto::TraceEvent::SERIAL_IN:
      return EventKind::kSerialIn;
    case proto::TraceEvent::LOAD_SWITCH:
      return EventKind::kLoadSwitch;
    case proto::TraceEvent::DEVICE_FAULT:
      return EventKind::kDeviceFault;
    default:
      return EventKind::kMark;  // also of kinds that a later version may add
  }
}

/// Puts blocks together. Each take() is false if the block contradicts the header or what came before.
class Assembly {
 public:
  explicit Assembly(Trace& trace) : trace_{trace} {}

  [[nodiscard]] bool take(const proto::TraceHeader& header) {
    if (header.interval_ns() <= 0 || header.signal_size() == 0) return false;
    trace_.identity = from_proto(header.identity());
    trace_.signals.assign(header.signal().begin(), header.signal().end());
    trace_.intervals.interval = Nanos{header.interval_ns()};
    for (auto* columns : {&trace_.intervals.min, &trace_.intervals.mean, &trace_.intervals.max}) {
      columns->resize(trace_.signals.size());
    }
    return true;
  }

  [[nodiscard]] bool take(const proto::TraceBlock& block) {
    switch (block.content_case()) {
      case proto::TraceBlock::kIntervals:
        return take(block.intervals());
      case proto::TraceBlock::kWindow:
        return take(block.window());
      case proto::TraceBlock::kEvents:
        return take(block.events());
      default:
        return false;
    }
  }

 private:
  [[nodiscard]] bool take(const proto::TraceIntervals& rows) {
    const std::size_t signals = trace_.signals.size();
    const std::size_t values = static_cast<std::size_t>(std::max(rows.count(), 0)) * signals;
    const auto fits = [values](const auto& column) { return static_cast<std::size_t>(column.size()) == values; };
    const Intervals& so_far = trace_.intervals;
    const bool in_order = so_far.start.empty() || rows.first_start_ns() > so_far.start.back().count();
    if (values == 0 || !fits(rows.min()) || !fits(rows.mean()) || !fits(rows.max()) || !in_order) return false;
    for (int row = 0; row < rows.count(); ++row) {
      trace_.intervals.start.push_back(Nanos{rows.first_start_ns()} + row * so_far.interval);
      for (std::size_t s = 0; s < signals; ++s) {
        const int at = row * static_cast<int>(signals) + static_cast<int>(s);
        trace_.intervals.min[s].push_back(rows.min(at));
        trace_.intervals.mean[s].push_back(rows.mean(at));
        trace_.intervals.max[s].push_back(rows.max(at));
      }
    }
    trace_.end = std::max(trace_.end, so_far.start.back() + so_far.interval);
    return true;
  }

  [[nodiscard]] bool take(const proto::TraceWindow& piece) {
    const std::size_t signals = trace_.signals.size();
    const auto samples = static_cast<std::size_t>(piece.time_ns_size());
    if (samples == 0 || static_cast<std::size_t>(piece.value_size()) != samples * signals) return false;
    if (!std::is_sorted(piece.time_ns().begin(), piece.time_ns().end())) return false;
    const bool first = trace_.windows.empty();
    if (!first && piece.time_ns(0) < trace_.windows.back().time.back().count()) return false;
    if (first || !piece.continues()) {
      trace_.windows.emplace_back();
      trace_.windows.back().value.resize(signals);
    }
    Window& window = trace_.windows.back();
    for (const std::int64_t time_ns : piece.time_ns()) window.time.push_back(Nanos{time_ns});
    for (int i = 0; i < piece.value_size(); ++i)
      window.value[static_cast<std::size_t>(i) % signals].push_back(piece.value(i));
    trace_.end = std::max(trace_.end, window.time.back());
    return true;
  }

  [[nodiscard]] bool take(const proto::TraceEvents& events) {
    for (const proto::TraceEvent& event : events.event()) {
      trace_.events.push_back({Nanos{event.time_ns()}, kind_of(event.kind()), event.text()});
      trace_.end = std::max(trace_.end, Nanos{event.time_ns()});
    }
    return true;
  }

  Trace& trace_;
};

void close(Trace& trace, const proto::TraceEnd& end) {
  trace.complete = true;
  trace.end = Nanos{end.end_ns()};
  trace.invalid_because = end.invalid_because();
  if (trace.content_sha256 == end.content_sha256()) return;
  // Every block is whole, so this is no accident of a disk: blocks were taken out, put in or moved.
  trace.invalid_because += (trace.invalid_because.empty() ? "" : "; ") +
                           std::string{"the trace was altered after the run: its content hash is "} +
                           trace.content_sha256 + ", its end says " + end.content_sha256();
}

}  // namespace

Trace read_trace(const std::filesystem::path& file) {
  BlockReader blocks{file};
  Trace trace;
  Assembly assembly{trace};
  proto::TraceBlock block;
  std::string serialised;
  if (!blocks.next(block, serialised) || !block.has_header() || !assembly.take(block.header())) {
    throw base::BadInput(file.string(), "has no readable header; nothing of the run can be recovered");
  }
  base::Sha256 hash;
  bool ended = false;
  while (!ended && blocks.next(block, serialised)) {
    ended = block.has_end();
    if (ended) break;
    if (!assembly.take(block)) break;
    hash.update(serialised);
  }
  trace.content_sha256 = hash.hex();
  if (ended) close(trace, block.end());
  return trace;
}

}  // namespace dawnrig::trace
