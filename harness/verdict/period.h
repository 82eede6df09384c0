// The period of a limit cycle or a ripple: figure in seconds.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include <cstddef>
#include <vector>

#include "harness/verdict/watched.h"

namespace dawnrig::verdict {

/// The dominant period of the averaged signal, by autocorrelation c(k) of the windows' means about their own mean: the
/// smallest lag whose peak comes within a tenth of the highest one after c first fell below zero, refined by a
/// parabola. Finds periods from 4 to `lags` windows; memory is 3 numbers per lag, whatever the length of the watch.
/// Exercised: the number of whole periods watched; 0, with a note, if the swing stays below `least_swing` or no peak
/// reaches 0.3 of c(0). Error: below a tenth of a window for a sine of ten windows or more.
class DominantPeriod final : public Monitor {
 public:
  /// `watching.average_over` of zero is taken as 10 ms.
  explicit DominantPeriod(const Watching& watching, double least_swing = 0, std::size_t lags = 512);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] Figure figure() const override;

 private:
  void add(double value);
  [[nodiscard]] std::vector<double> autocorrelation() const;

  Watched watched_;
  double window_s_;
  double least_swing_;
  std::vector<double> first_, last_, products_;  ///< first values, a ring of the last ones, sums of products per lag
  std::int64_t count_{0};
  double origin_{0}, sum_{0}, lowest_{0}, highest_{0};
};

}  // namespace dawnrig::verdict
