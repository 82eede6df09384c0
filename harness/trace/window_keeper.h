// Full resolution around events: remembers the recent past, and keeps what is near something that happened.
// Room: harness/trace. May use plant/core.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <vector>

#include "harness/trace/stretch.h"

namespace dawnrig::trace {

/// A piece of a window, handed on as soon as there is enough of it.
struct WindowPiece {
  std::span<const std::int64_t> time_ns;
  std::span<const float> value;  ///< row-major, samples x signals
  bool continues{false};         ///< goes on where the piece before it ended
};

/// Windows reach from `reach` before an event to `reach` after it; those that touch become one. Where no sample falls
/// on an end, the straight line between its neighbours gives one. Memory is bounded: of a past with more samples than
/// the ring holds (2048 or one per 10 us of reach, at most 16384), only the latest are kept. add() does not allocate.
class WindowKeeper {
 public:
  using Write = std::function<void(const WindowPiece&)>;

  WindowKeeper(Nanos reach, Write write);
  void add(const Sample& sample);
  void add(const Stretch& stretch);
  /// Something happened at `time`.
  void trigger(Nanos time);
  /// Hands on what has been gathered, whole window or not.
  void flush();

 private:
  void remember(const Sample& sample);
  [[nodiscard]] const Sample& remembered(std::size_t age) const;  // 0: the latest
  void open(Nanos from);
  void append(const Sample& sample);

  Nanos reach_;
  Write write_;
  std::vector<Sample> ring_;
  std::size_t next_{0};   // where in the ring the next sample goes
  std::size_t count_{0};  // samples in the ring
  bool is_open_{false};
  Nanos open_until_{0};
  std::optional<Nanos> starts_at_;  // the window begins here, between the latest sample and the next
  bool has_kept_{false};
  Nanos kept_until_{0};  // nothing up to here may be kept again
  bool continues_{false};
  std::vector<std::int64_t> time_ns_;
  std::vector<float> value_;
};

}  // namespace dawnrig::trace
