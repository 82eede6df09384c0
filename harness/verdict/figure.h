// What a monitor is told to watch and the figure it yields.
// Room: harness/verdict. May use harness/trace, harness/profile and what lies below.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/trace/signal.h"

namespace dawnrig::verdict {

/// A requirement's limit as applied to one device: scaled to its nominal voltage. Both ends belong to what is allowed.
struct Limit {
  std::optional<double> lowest{}, highest{};
  std::string unit{};
  double tolerance{1};  ///< one unit of normalised margin, in `unit`
};

/// One measured figure, in its own unit.
struct Figure {
  double value{0};
  Nanos worst{0};             ///< the instant of the worst sample, or the end of the window for a mean
  std::int64_t exercised{0};  ///< how often what it speaks of happened; 0: vacuous
  struct Offence {
    Nanos time{0};
    double value{0};
  };
  std::optional<Offence> first_offence;  ///< the first sample outside the limit, where samples are judged one by one
  /// The watch ended before what is timed did: the true figure is `value` or more.
  bool cut_off{false};
  std::string note;  ///< what the number alone does not say, as a clause; "" if nothing

  // For the report's picture; the unit is the signal's.
  /// The figure is a level of `signal` less `minus`: the limit can be drawn over its curve.
  struct Level {
    trace::Signal signal{};
    double minus{0};
  };
  std::optional<Level> level;
  /// A value of `signal` from which something is timed.
  struct Line {
    std::string label;
    trace::Signal signal{};
    double value{0};
  };
  std::vector<Line> lines;
};

/// A sink that yields one figure. Attach it to a rig for the window that it judges. on_sample() does not allocate.
/// Times from attach count from the first sample it sees. A value that is not finite makes the figure not a number.
class Monitor : public trace::Sink {
 public:
  [[nodiscard]] virtual Figure figure() const = 0;
};

/// `minus` is subtracted from the signal. `average_over` > 0 judges the means of consecutive windows so long, counted
/// from attach, which takes the PWM ripple out; a window that the end of the watch cuts short is not judged. A window's
/// time is its end. `limit` (optional, in the unit of the figure) lets a monitor note the first offending sample.
struct Watching {
  trace::Signal signal{trace::Signal::kTerminalV};
  double minus{0};
  Nanos average_over{0};
  std::optional<Limit> limit{};
};

}  // namespace dawnrig::verdict
