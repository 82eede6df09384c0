// Monitors of how long and since when a signal lies beyond a value: figures in seconds.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include "harness/verdict/watched.h"

namespace dawnrig::verdict {

enum class Side : std::uint8_t { kAbove, kBelow };

/// What a time that never came means. kVacuous: there was nothing to judge. kWholeWatch: it is at least the whole watch
/// (the figure is cut off); the watch must be longer than the limit for that to be a FAIL.
enum class IfNever : std::uint8_t { kVacuous, kWholeWatch };

/// The share of a straight piece's duration that lies above zero, when its ends are `from` and `to`.
[[nodiscard]] inline double share_above_zero(double from, double to) {
  if (from <= 0 && to <= 0) return 0;
  if (from >= 0 && to >= 0) return 1;
  return from > 0 ? from / (from - to) : to / (to - from);
}

/// Seconds spent strictly beyond a value, with the crossings of straight lines exact. Exercised: the number of judged
/// values. `worst`: when the signal lay farthest beyond (the end of the watch if it never did). Offence: when the time
/// so far first exceeded `limit.highest`, to the sample.
class TimeBeyond : public Monitor {
 public:
  TimeBeyond(const Watching& watching, Side side, double value);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  double sign_, level_;
  std::optional<double> limit_;
  double farthest_{0};
  Figure figure_;
};

class TimeAbove final : public TimeBeyond {
 public:
  TimeAbove(const Watching& watching, double value) : TimeBeyond{watching, Side::kAbove, value} {}
};

class TimeBelow final : public TimeBeyond {
 public:
  TimeBelow(const Watching& watching, double value) : TimeBeyond{watching, Side::kBelow, value} {}
};

/// Seconds from attach until the signal is within [lowest, highest] for good; 0 if it never left. Never settled: the
/// whole watch, cut off, and the note says so. Exercised: the number of judged values. `worst`: when it was last
/// outside.
class SettlingTime final : public Monitor {
 public:
  SettlingTime(const Watching& watching, double lowest, double highest);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  double lowest_, highest_;
  bool inside_{false};
  std::optional<Nanos> last_outside_;
};

/// Seconds from attach until the signal first lies strictly above or below a value; 0 if it does from the start.
/// Exercised: 1 if it crossed. `worst`: that instant.
class FirstCrossing final : public Monitor {
 public:
  FirstCrossing(const Watching& watching, Side side, double value, IfNever if_never = IfNever::kVacuous);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  Side side_;
  double level_;
  IfNever if_never_;
  std::optional<Nanos> crossed_;
};

}  // namespace dawnrig::verdict
