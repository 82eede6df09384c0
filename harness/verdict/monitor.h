// Figures measured on a running rig at full resolution, and findings: a figure held against a requirement.
// Room: harness/verdict. May use harness/trace, harness/profile and what lies below.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/profile/profile.h"
#include "harness/trace/signal.h"

namespace dawnrig::verdict {

/// A requirement's limit as applied to one device: scaled to its nominal voltage.
struct Limit {
  std::optional<double> lowest, highest;
  std::string unit;
  double tolerance{1};
};
[[nodiscard]] Limit limit_of(const profile::Requirement& requirement, double nominal_v);

enum class Verdict : std::uint8_t { kPass, kFail, kInvalid, kVacuous };
[[nodiscard]] std::string_view text_of(Verdict verdict);  ///< "PASS", ...

/// One measured figure, in its own unit.
struct Figure {
  double value{0};
  Nanos worst{0};             ///< the instant of the worst sample, or the end of the window for a mean
  std::int64_t exercised{0};  ///< how often what it speaks of happened; 0: vacuous
  struct Offence { Nanos time{0}; double value{0}; };
  std::optional<Offence> first_offence;  ///< the first sample outside the limit, where samples are judged one by one
};

/// Time and value of what a report plots: bounded memory, whatever the length of the window. Width doubles as it fills.
struct Curve {
  std::string label;
  bool is_switch{false};
  std::vector<double> time_s, low, high;
};

/// A sink that yields one figure. Attach it to a rig for the window that it judges. on_sample() does not allocate.
class Monitor : public trace::Sink {
 public:
  [[nodiscard]] virtual Figure figure() const = 0;
};

/// `minus` is subtracted from the signal; `average_over` > 0 judges the means of consecutive windows so long, which takes
/// the PWM ripple out; `limit` (optional) lets a monitor note the first offending sample.
struct Watching {
  trace::Signal signal{trace::Signal::kTerminalV};
  double minus{0};
  Nanos average_over{0};
  std::optional<Limit> limit{};
};

/// Mean over the whole window. Exercised: the number of samples; a window without duration is vacuous.
class Mean final : public Monitor {
 public:
  explicit Mean(Watching watching);
  void on_sample(const trace::Sample& sample) override;
  [[nodiscard]] Figure figure() const override;
 private:
  Watching watching_;
};

// H5 adds, in the same style: Highest, Lowest, PeakToPeak; TimeOutside (seconds spent above/below a value);
// SettlingTime (from attach until the averaged signal stays within a band for good; NaN-free: never settled = window length, and the
// figure says so); LastTrue (time from attach until a switch signal is 0 for good); Toggles (changes of a switch signal);
// FirstCrossing (when an averaged signal first goes above/below a value); Period (dominant period by autocorrelation of an averaged
// signal, bounded memory); Fraction (share of time a switch is 1).

struct Finding {
  profile::Requirement requirement;
  Limit limit;                       ///< as applied
  Verdict verdict{Verdict::kVacuous};
  std::string reason;                ///< one sentence: why this verdict, naming the first offending sample
  std::string measured_as;           ///< what the figure is, in words
  Figure figure;
  double margin{0};                  ///< in the limit's unit, < 0 is broken
  double margin_in_tolerances{0};
};

/// Holds a figure against a limit. `invalid_because` not empty: INVALID, whatever the figure. Not exercised: VACUOUS.
/// A figure that is not a number: INVALID.
[[nodiscard]] Finding judge(const profile::Requirement& requirement, const Limit& limit, const Figure& figure,
                            std::string measured_as, const std::string& invalid_because);

/// Collects min and max per time bucket of some signals for the report's picture; at most `buckets` per curve.
class EvidenceCollector final : public trace::Sink {
 public:
  explicit EvidenceCollector(std::vector<trace::Signal> signals, std::size_t buckets = 600);
  void on_sample(const trace::Sample& sample) override;
  [[nodiscard]] std::vector<Curve> curves() const;
};

}  // namespace dawnrig::verdict
