#include "harness/trace/recorder.h"

#include <algorithm>

#include "harness/base/bad_input.h"
#include "harness/trace/block_writer.h"
#include "harness/trace/interval_stats.h"
#include "harness/trace/proto_identity_internal.h"
#include "harness/trace/window_keeper.h"
#include "trace.pb.h"

namespace dawnrig::trace {
namespace {

using Counts = BlockWriter::Counts;

constexpr Nanos kFlushEvery{1'000'000'000};
constexpr Nanos kLeastInterval{100'000};
constexpr Nanos kMostInterval{3'600'000'000'000};
constexpr int kMostEvents = 256;  // per block
constexpr std::size_t kMostEventBytes = std::size_t{64} << 10U;

RecorderOptions checked(const RecorderOptions& options) {
  if (options.interval < kLeastInterval || options.interval > kMostInterval) {
    throw base::BadInput(
        "", "the trace's interval is " + std::to_string(options.interval.count()) + " ns, must be from 100 us to 1 h");
  }
  if (options.event_window < Nanos{0} || options.event_window > kMostInterval) {
    throw base::BadInput("", "the trace's event window is " + std::to_string(options.event_window.count()) +
                                 " ns, must be from 0 to 1 h");
  }
  return options;
}

int rows_per_block(Nanos interval) {
  return static_cast<int>(std::max<std::int64_t>(1, kFlushEvery / interval));
}

bool opens_window(EventKind kind) {
  return kind == EventKind::kStimulus || kind == EventKind::kReset || kind == EventKind::kLoadSwitch ||
         kind == EventKind::kDeviceFault;
}

proto::TraceEvent::Kind kind_of(EventKind kind) {
  switch (kind) {
    case EventKind::kStimulus:
      return proto::TraceEvent::STIMULUS;
    case EventKind::kReset:
      return proto::TraceEvent::RESET;
    case EventKind::kSerialOut:
      return proto::TraceEvent::SERIAL_OUT;
    case EventKind::kSerialIn:
      return proto::TraceEvent::SERIAL_IN;
    case EventKind::kLoadSwitch:
      return proto::TraceEvent::LOAD_SWITCH;
    case EventKind::kDeviceFault:
      return proto::TraceEvent::DEVICE_FAULT;
    case EventKind::kMark:
      return proto::TraceEvent::MARK;
  }
  return proto::TraceEvent::KIND_UNSPECIFIED;
}

}  // namespace

struct Recorder::Impl {
  Impl(const std::filesystem::path& file, const Identity& identity, const RecorderOptions& wanted)
      : options{checked(wanted)},
        writer{file},
        stats{options.interval},
        windows{options.event_window, [this](const WindowPiece& piece) { write_window(piece); }},
        most_rows{rows_per_block(options.interval)} {
    const int values = most_rows * static_cast<int>(kSignalCount);
    proto::TraceIntervals& rows = *interval_block.mutable_intervals();
    rows.mutable_min()->Reserve(values);
    rows.mutable_mean()->Reserve(values);
    rows.mutable_max()->Reserve(values);
    window_block.mutable_window();
    event_block.mutable_events();
    write_header(identity);
  }

  void write_header(const Identity& identity) {
    proto::TraceBlock block;
    proto::TraceHeader& header = *block.mutable_header();
    to_proto(identity, *header.mutable_identity());
    for (std::size_t i = 0; i < kSignalCount; ++i) header.add_signal(std::string{name_of(static_cast<Signal>(i))});
    header.set_interval_ns(options.interval.count());
    writer.write(block, Counts::kNo);
  }

  void take(const Sample& sample) {
    if (sample.time < (stats.started() ? stats.last().time : Nanos{0})) {
      throw base::RunFault("the recorder was given a sample of " + std::to_string(sample.time.count()) +
                           " ns after one of " + std::to_string(stats.last().time.count()) + " ns");
    }
    stats.advance(sample, [this](const IntervalRow& row) { add(row); });
    if (options.windows) windows.add(sample);
    if (sample.time >= next_flush) {
      flush();
      next_flush = (sample.time / kFlushEvery + 1) * kFlushEvery;
    }
  }

  void take(const Stretch& stretch) {
    // What is written, or refused, is so at the very sample.
    if (stretch.end().time >= next_flush || !stats.advance(stretch)) {
      for (const Sample& sample : stretch.samples()) take(sample);
      return;
    }
    if (options.windows) windows.add(stretch);
  }

  void add(const IntervalRow& row) {
    proto::TraceIntervals& rows = *interval_block.mutable_intervals();
    if (rows.count() == 0) rows.set_first_start_ns(row.start.count());
    rows.set_count(rows.count() + 1);
    rows.mutable_min()->Add(row.min.begin(), row.min.end());
    rows.mutable_mean()->Add(row.mean.begin(), row.mean.end());
    rows.mutable_max()->Add(row.max.begin(), row.max.end());
    if (rows.count() == most_rows) write_rows();
  }

  void add(const Event& event) {
    proto::TraceEvents& events = *event_block.mutable_events();
    if (events.event_size() > 0 && event.time.count() >= events.event(0).time_ns() + kFlushEvery.count())
      write_events();
    proto::TraceEvent& added = *events.add_event();
    added.set_time_ns(event.time.count());
    added.set_kind(kind_of(event.kind));
    added.set_text(event.text);
    event_bytes += event.text.size();
    if (events.event_size() >= kMostEvents || event_bytes >= kMostEventBytes) write_events();
    if (options.windows && opens_window(event.kind)) windows.trigger(event.time);
  }

  void write_rows() {
    proto::TraceIntervals& rows = *interval_block.mutable_intervals();
    if (rows.count() == 0) return;
    writer.write(interval_block, Counts::kYes);
    rows.Clear();  // keeps its buffers
  }

  void write_window(const WindowPiece& piece) {
    proto::TraceWindow& window = *window_block.mutable_window();
    window.Clear();
    window.mutable_time_ns()->Add(piece.time_ns.begin(), piece.time_ns.end());
    window.mutable_value()->Add(piece.value.begin(), piece.value.end());
    window.set_continues(piece.continues);
    writer.write(window_block, Counts::kYes);
  }

  void write_events() {
    if (event_block.events().event_size() == 0) return;
    writer.write(event_block, Counts::kYes);
    event_block.mutable_events()->Clear();
    event_bytes = 0;
  }

  void flush() {
    write_rows();
    windows.flush();
    write_events();
  }

  std::string finish(Nanos end, const std::string& invalid_because) {
    if (finished) return content_sha256;
    if (stats.started() && end > stats.last().time) {
      Sample held = stats.last();
      held.time = end;
      take(held);
    }
    leave_open();
    proto::TraceBlock block;
    proto::TraceEnd& last = *block.mutable_end();
    last.set_end_ns(stats.started() ? std::max(end, stats.last().time).count() : end.count());
    content_sha256 = writer.content_sha256();
    last.set_content_sha256(content_sha256);
    last.set_invalid_because(as_utf8(invalid_because));
    writer.write(block, Counts::kNo);
    return content_sha256;
  }

  /// Everything so far, without an end.
  void leave_open() {
    finished = true;
    stats.finish([this](const IntervalRow& row) { add(row); });
    flush();
  }

  RecorderOptions options;
  BlockWriter writer;
  IntervalStats stats;
  WindowKeeper windows;
  int most_rows;
  Nanos next_flush{kFlushEvery};
  bool finished{false};
  std::string content_sha256;
  // One message per kind: changing the kind of one would free and allocate its buffers at every block.
  proto::TraceBlock interval_block, window_block, event_block;
  std::size_t event_bytes{0};
};

Recorder::Recorder(const std::filesystem::path& file, const Identity& identity, const RecorderOptions& options)
    : impl_{std::make_unique<Impl>(file, identity, options)} {}

Recorder::~Recorder() {
  if (impl_->finished) return;
  try {
    impl_->leave_open();             // the last second before a fault is the one worth reading
  } catch (const base::RunFault&) {  // NOLINT(bugprone-empty-catch)
    // The fault that ended the run was thrown already; a destructor has nobody to tell of a second one.
  }
}

void Recorder::on_sample(const Sample& sample) {
  impl_->take(sample);
}

void Recorder::on_stretch(const Stretch& stretch) {
  impl_->take(stretch);
}

void Recorder::on_event(const Event& event) {
  impl_->add(event);
}

std::string Recorder::finish(Nanos end, const std::string& invalid_because) {
  return impl_->finish(end, invalid_because);
}

}  // namespace dawnrig::trace
