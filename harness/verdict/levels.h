// Monitors of how high, how low and how far: figures in the unit of the signal.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include "harness/verdict/watched.h"

namespace dawnrig::verdict {

/// Mean over the whole window, each sample weighted by the time it stands for; of a switch: the share of time it is on.
/// `average_over` changes nothing. Exercised: the number of samples; a window without duration is vacuous.
class Mean final : public Monitor {
 public:
  explicit Mean(const Watching& watching);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  double integral_{0};
};

/// The highest value. Exercised: the number of judged values. Offence: the first value above `limit.highest`.
class Highest final : public Monitor {
 public:
  explicit Highest(const Watching& watching);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override { return watched_.as_level(watched_.over_judged(figure_)); }

 private:
  Watched watched_;
  std::optional<double> limit_;
  Figure figure_;
};

/// The lowest value. Exercised: the number of judged values. Offence: the first value below `limit.lowest`.
class Lowest final : public Monitor {
 public:
  explicit Lowest(const Watching& watching);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override { return watched_.as_level(watched_.over_judged(figure_)); }

 private:
  Watched watched_;
  std::optional<double> limit_;
  Figure figure_;
};

/// The value with the least margin to the limit's two ends, for signals that must stay within a band throughout;
/// without a limit the last one. Exercised: the number of judged values. Offence: the first value outside.
class WorstWithin final : public Monitor {
 public:
  explicit WorstWithin(const Watching& watching);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override { return watched_.as_level(watched_.over_judged(figure_)); }

 private:
  Watched watched_;
  Limit limit_;
  double margin_{std::numeric_limits<double>::infinity()};
  Figure figure_;
};

/// Highest minus lowest value; `worst` is the later of the two. Exercised: the number of judged values (one value alone
/// has no swing: vacuous). Offence: when the swing so far first exceeded `limit.highest`.
class PeakToPeak final : public Monitor {
 public:
  explicit PeakToPeak(const Watching& watching);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  Watched watched_;
  std::optional<double> limit_;
  bool started_{false};
  double lowest_{0}, highest_{0};
  Figure figure_;
};

}  // namespace dawnrig::verdict
