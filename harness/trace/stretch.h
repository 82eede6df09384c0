// Several samples that are told as a whole: how low, how high and how much in the mean each signal was.
// Room: harness/trace. May use plant/core.
#pragma once

#include <cstddef>
#include <span>

#include "harness/trace/signal.h"

namespace dawnrig::trace {

/// Begins at a sample that was told before it, and goes on from there with samples of which no two are at one time.
/// Signals run straight between them and do not jump; those that hold are constant. Lowest, highest and mean over time
/// are of all of it, both ends included. A signal that is not a number at one of them is none in the mean.
class Stretch {
 public:
  using Values = std::array<double, kSignalCount>;

  Stretch() = default;
  virtual ~Stretch() = default;
  Stretch(const Stretch&) = delete;
  Stretch& operator=(const Stretch&) = delete;

  [[nodiscard]] Nanos from() const { return told_.from; }
  [[nodiscard]] const Sample& end() const { return told_.end; }
  [[nodiscard]] Nanos duration() const { return told_.end.time - told_.from; }
  [[nodiscard]] const Values& lowest() const { return told_.lowest.value; }
  [[nodiscard]] const Values& highest() const { return told_.highest.value; }
  [[nodiscard]] const Values& mean() const { return told_.mean.value; }
  /// How many samples there are after the one at which it begins, at least one.
  [[nodiscard]] std::size_t steps() const { return told_.steps; }
  /// Those samples, of which the last is end(). Worked out when first asked for, and once for all who ask.
  [[nodiscard]] std::span<const Sample> samples() const {
    if (samples_.empty()) samples_ = work_out();
    return samples_;
  }

 protected:
  struct Told {
    Nanos from{0};
    std::size_t steps{0};
    Sample end;
    Sample lowest, highest, mean;  ///< their times mean nothing
  };
  /// To be filled in for the next stretch.
  [[nodiscard]] Told& anew() {
    samples_ = {};
    return told_;
  }

 private:
  [[nodiscard]] virtual std::span<const Sample> work_out() const = 0;

  Told told_;
  mutable std::span<const Sample> samples_;
};

}  // namespace dawnrig::trace
