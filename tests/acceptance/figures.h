// Small arithmetic on figures, and the two sinks that only acceptance tests need.
#pragma once

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "harness/testing/acceptance.h"
#include "harness/trace/stretch.h"

namespace dawnrig::acceptance {

using trace::Signal;
using verdict::Figure;

/// The same figure in another unit or against another origin. What was drawn over the curve no longer fits it.
inline Figure changed(Figure figure, double factor, double less = 0.0) {
  figure.value = figure.value * factor - less;
  if (figure.first_offence) {
    figure.first_offence->value = figure.first_offence->value * factor - less;
  }
  figure.level.reset();
  return figure;
}
inline Figure in_ms(const Figure& figure) {
  return changed(figure, 1e3);
}
inline Figure less(const Figure& figure, double declared) {
  return changed(figure, 1.0, declared);
}
/// By how many per cent the figure is off a declared value.
inline Figure per_cent_off(const Figure& figure, double declared) {
  return changed(figure, 100.0 / declared, 100.0);
}

/// The figure farthest from zero of several that were each less their set point; exercised as often as all together.
class FarthestOff {
 public:
  void add(const Figure& figure) {
    const auto exercised = worst_ ? worst_->exercised + figure.exercised : figure.exercised;
    if (!worst_ || std::abs(figure.value) > std::abs(worst_->value)) {
      worst_ = figure;
    }
    worst_->exercised = exercised;
  }
  [[nodiscard]] Figure figure() const { return worst_.value_or(Figure{}); }

 private:
  std::optional<Figure> worst_;
};

/// The highest of several figures; each counts as one exercise.
class HighestOf {
 public:
  void add(const Figure& figure) {
    if (figure.exercised == 0) {
      return;
    }
    ++count_;
    if (!worst_ || figure.value > worst_->value) {
      worst_ = figure;
    }
  }
  [[nodiscard]] Figure figure() const {
    Figure figure = worst_.value_or(Figure{});
    figure.exercised = count_;
    return figure;
  }

 private:
  std::optional<Figure> worst_;
  std::int64_t count_{0};
};

/// A count of something that happened, or must not have.
inline Figure counted(double value, std::int64_t exercised = 1) {
  Figure figure;
  figure.value = value;
  figure.exercised = exercised;
  return figure;
}

/// How many bytes of two images differ.
inline double bytes_changed(const std::vector<std::uint8_t>& before, const std::vector<std::uint8_t>& after) {
  double changed = 0;
  for (std::size_t i = 0; i < before.size() && i < after.size(); ++i) {
    changed += before[i] == after[i] ? 0 : 1;
  }
  return changed;
}

/// The bus voltage in means over a tenth of a second, so that a test can look back by the delay a device declares.
class BusHistory final : public trace::Sink {
 public:
  BusHistory() { mean_v_.reserve(36'000); }

  void on_sample(const trace::Sample& sample) override {
    if (!started_) {
      start_ = window_ = sample.time;
      started_ = true;
    } else {
      integral_ += 0.5 * (last_v_ + sample[Signal::kBusV]) * in_seconds(sample.time - last_);
    }
    last_ = sample.time;
    last_v_ = sample[Signal::kBusV];
    if (last_ - window_ >= kStep && mean_v_.size() < mean_v_.capacity()) {
      mean_v_.emplace_back(last_, integral_ / in_seconds(last_ - window_));
      window_ = last_;
      integral_ = 0;
    }
  }
  /// The mean that ended last before `time`, or the first there is.
  [[nodiscard]] std::optional<double> at(Nanos time) const {
    const auto after = std::upper_bound(mean_v_.begin(), mean_v_.end(), time,
                                        [](Nanos t, const std::pair<Nanos, double>& mean) { return t < mean.first; });
    if (mean_v_.empty()) {
      return std::nullopt;
    }
    return after == mean_v_.begin() ? after->second : std::prev(after)->second;
  }

 private:
  static constexpr Nanos kStep{100'000'000};
  bool started_{false};
  Nanos start_{0}, window_{0}, last_{0};
  double last_v_{0}, integral_{0};
  std::vector<std::pair<Nanos, double>> mean_v_;
};

/// By how much the bus lies higher when the gate goes off than when it goes on, as means over all edges but the first.
class SwitchingLevels final : public verdict::Monitor {
 public:
  void on_sample(const trace::Sample& sample) override {
    const bool on = sample[Signal::kGate] > 0.5;
    if (seen_ && on != was_on_) {
      (on ? on_v_ : off_v_) += sample[Signal::kBusV];
      ++(on ? ons_ : offs_);
      last_ = sample.time;
    }
    seen_ = true;
    was_on_ = on;
  }
  void on_stretch(const trace::Stretch& stretch) override { on_sample(stretch.end()); }  // the gate holds in it
  [[nodiscard]] Figure figure() const override {
    Figure figure;
    figure.exercised = std::min(ons_, offs_);
    figure.worst = last_;
    if (figure.exercised > 0) {
      figure.value = off_v_ / static_cast<double>(offs_) - on_v_ / static_cast<double>(ons_);
    }
    return figure;
  }

 private:
  bool seen_{false}, was_on_{false};
  double on_v_{0}, off_v_{0};
  std::int64_t ons_{0}, offs_{0};
  Nanos last_{0};
};

/// How often in a second the gate goes on, from the first time to the last.
class PulseRate final : public verdict::Monitor {
 public:
  void on_sample(const trace::Sample& sample) override {
    const bool on = sample[Signal::kGate] > 0.5;
    if (on && seen_ && !was_on_) {
      if (rises_++ == 0) first_ = sample.time;
      last_ = sample.time;
    }
    seen_ = true;
    was_on_ = on;
  }
  void on_stretch(const trace::Stretch& stretch) override { on_sample(stretch.end()); }  // the gate holds in it
  [[nodiscard]] Figure figure() const override {
    Figure figure;
    figure.exercised = rises_;
    figure.worst = last_;
    if (rises_ > 1) figure.value = static_cast<double>(rises_ - 1) / in_seconds(last_ - first_);
    return figure;
  }

 private:
  bool seen_{false}, was_on_{false};
  std::int64_t rises_{0};
  Nanos first_{0}, last_{0};
};

/// How often charging stopped, the gate off for long on end, and then began again.
class Restarts final : public verdict::Monitor {
 public:
  /// Off for as long as that, it had stopped: longer than regulation leaves pulses out.
  explicit Restarts(Nanos stopped = Nanos{1'000'000'000}) : stopped_{stopped} {}
  void on_sample(const trace::Sample& sample) override {
    const bool on = sample[Signal::kGate] > 0.5;
    if (on) {
      if (exercised_ > 0 && sample.time - last_on_ >= stopped_) {
        ++figure_.value;
        figure_.worst = sample.time;
      }
      last_on_ = sample.time;
      ++exercised_;
    }
  }
  [[nodiscard]] Figure figure() const override {
    Figure figure = figure_;
    figure.exercised = exercised_;
    return figure;
  }

 private:
  Nanos stopped_;
  Figure figure_;
  Nanos last_on_{0};
  std::int64_t exercised_{0};
};

}  // namespace dawnrig::acceptance
