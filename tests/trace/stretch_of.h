// A stretch of samples made by hand, with its figures worked out from them one piece at a time, and a random walk that
// is told in such stretches or sample by sample.
#pragma once

#include <cmath>
#include <cstdint>
#include <random>
#include <utility>
#include <vector>

#include "harness/trace/between.h"
#include "harness/trace/stretch.h"

namespace dawnrig::trace {

class StretchOf final : public Stretch {
 public:
  /// Goes on from `before`, which was told.
  StretchOf(const Sample& before, std::vector<Sample> samples) : given_{std::move(samples)} {
    Told& told = anew();
    told.from = before.time;
    told.steps = given_.size();
    told.end = given_.back();
    const double duration_ns = static_cast<double>(duration().count());
    for (std::size_t i = 0; i < kSignalCount; ++i) {
      double low = before.value[i], high = low, area = 0;
      const Sample* last = &before;
      for (const Sample& sample : given_) {
        const double value = sample.value[i];
        low = value < low ? value : low;
        high = value > high ? value : high;
        area += 0.5 * (last->value[i] + value) * static_cast<double>((sample.time - last->time).count());
        last = &sample;
      }
      told.lowest.value[i] = low;
      told.highest.value[i] = high;
      told.mean.value[i] = area / duration_ns;
    }
  }
  [[nodiscard]] int asked() const { return asked_; }  ///< how often its samples were worked out

 private:
  [[nodiscard]] std::span<const Sample> work_out() const override {
    ++asked_;
    return given_;
  }
  std::vector<Sample> given_;
  mutable int asked_{0};
};

/// A gate that goes on and off, and signals that walk at random between its edges and jump at them; told as a rig does:
/// both sides of each edge, and in between either every step or all of them at once.
class RandomWalk {
 public:
  /// Values are multiples of `quantum`, if that is not zero: so they are often the same, and often at a limit.
  explicit RandomWalk(std::uint32_t seed, double quantum = 0.0) : random_{seed}, quantum_{quantum} {
    for (std::size_t i = 0; i < kSignalCount; ++i) now_.value[i] = kHolds[i] ? 0.0 : centre(i);
  }

  struct Leg {
    std::vector<Sample> jump;  ///< at its beginning: the far side of the edge
    Sample before;             ///< where its steps go on from
    std::vector<Sample> steps;
  };
  /// From an edge to the near side of the next: 1 to 20 steps of up to `longest_step`.
  Leg next(Nanos longest_step) {
    Leg leg;
    if (random_() % 4 != 0) {
      now_[Signal::kGate] = 1.0 - now_[Signal::kGate];
      if (random_() % 16 == 0) now_[Signal::kLoadSwitch] = 1.0 - now_[Signal::kLoadSwitch];
      move(4.0);
    }
    leg.jump.push_back(now_);
    leg.before = now_;
    const std::size_t steps = 1 + random_() % 20;
    for (std::size_t k = 0; k < steps; ++k) {
      now_.time += Nanos{1 + static_cast<std::int64_t>(random_() % static_cast<std::uint64_t>(longest_step.count()))};
      move(1.0);
      leg.steps.push_back(now_);
    }
    return leg;
  }
  /// From here on the signal is not a number, or is one again.
  void set(Signal signal, double value) { now_[signal] = value; }
  [[nodiscard]] Nanos now() const { return now_.time; }

  /// Where each signal hovers: no two alike.
  static double centre(std::size_t signal) { return 10.0 + static_cast<double>(signal); }

 private:
  void move(double by) {
    for (std::size_t i = 0; i < kSignalCount; ++i) {
      if (kHolds[i]) continue;
      const double draw = static_cast<double>(random_() % 2001) / 1000.0 - 1.0;
      if (quantum_ > 0.0) {
        now_.value[i] += quantum_ * std::round(0.7 * draw);
        if (std::abs(now_.value[i] - centre(i)) > 8.0 * quantum_) now_.value[i] = centre(i);
      } else {
        now_.value[i] += 0.05 * by * draw + 0.02 * (centre(i) - now_.value[i]);
      }
    }
  }

  std::mt19937 random_;
  double quantum_;
  Sample now_;
};

/// Tells a leg as a whole. Whether the sink wanted to know of its samples.
inline bool tell_whole(Sink& sink, const RandomWalk::Leg& leg) {
  for (const Sample& sample : leg.jump) sink.on_sample(sample);
  const StretchOf stretch{leg.before, leg.steps};
  sink.on_stretch(stretch);
  return stretch.asked() > 0;
}
/// Tells it step by step.
inline void tell_steps(Sink& sink, const RandomWalk::Leg& leg) {
  for (const Sample& sample : leg.jump) sink.on_sample(sample);
  for (const Sample& sample : leg.steps) sink.on_sample(sample);
}

}  // namespace dawnrig::trace
