// Monitors of switches: the charging switch and the load output.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include "harness/verdict/levels.h"
#include "harness/verdict/watched.h"

namespace dawnrig::verdict {

enum class Edge : std::uint8_t { kOn, kOff };

/// What "off within" means if the switch was off all along: it holds, or there was nothing to switch off.
enum class IfNeverOn : std::uint8_t { kHolds, kVacuous };

/// Seconds from attach until a switch is off for good. Still on at the end: the whole watch, cut off, and the note says
/// so. Exercised: the number of samples during which it was on or, with kHolds, all samples. `worst`: the last instant
/// on.
class LastOn final : public Monitor {
 public:
  explicit LastOn(trace::Signal switch_signal, IfNeverOn if_never_on = IfNeverOn::kHolds);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  IfNeverOn if_never_on_;
  bool on_{false};
  std::int64_t samples_on_{0};
  std::optional<Nanos> last_on_;
};

/// Seconds that a switch was on. Exercised: the number of samples. `worst`: the last instant on. Offence: when the time
/// so far first exceeded `limit.highest`, to the sample.
class OnTime final : public Monitor {
 public:
  explicit OnTime(trace::Signal switch_signal, const std::optional<Limit>& limit = {});
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override { return watched_.over_judged(figure_); }

 private:
  Watched watched_;
  std::optional<double> limit_;
  Figure figure_;
};

/// The share of the watch that a switch was on, 0..1: of the charging switch, the duty. Exercised: the number of
/// samples; a watch without duration is vacuous.
class OnFraction final : public Monitor {
 public:
  explicit OnFraction(trace::Signal switch_signal) : mean_{Watching{.signal = switch_signal}} {}
  void on_sample(const trace::Sample& sample) override { mean_.on_sample(sample); }
  void on_stretch(const trace::Stretch& stretch) override { mean_.on_stretch(stretch); }
  [[nodiscard]] Figure figure() const override { return mean_.figure(); }

 private:
  Mean mean_;
};

/// How often a switch changed. Exercised: the number of samples. `worst`: the last change (the end if none). Offence:
/// the change that first exceeded `limit.highest`.
class Toggles final : public Monitor {
 public:
  explicit Toggles(trace::Signal switch_signal, const std::optional<Limit>& limit = {});
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  std::optional<double> limit_;
  Figure figure_;
};

/// The value that a signal had just before a switch first went on or off, for thresholds that a device acts on: the
/// sample before the change or, with `average_over`, the last whole window before it. Exercised: how often the switch
/// did that once there was such a value; `worst`: the first time.
class ValueAtSwitching final : public Monitor {
 public:
  ValueAtSwitching(const Watching& watching, trace::Signal switch_signal, Edge edge);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  trace::Signal switch_;
  Edge edge_;
  std::optional<bool> was_on_;
  std::optional<double> latest_;
  Figure figure_;
};

}  // namespace dawnrig::verdict
