// What tests do with a battery under charge. A lead-acid battery shows at its terminals, within seconds, what the
// device does; a lithium one near full keeps its voltage when charging stops, and takes minutes to come to rest at a
// set point.
#pragma once

#include <chrono>
#include <cmath>
#include <optional>
#include <variant>

#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {

/// Seconds that the bus, averaged over a second, lay above a level while the device charged: its gate had been on
/// within `stopped_after`. Exercised: how many such seconds; `worst`: the end of the last. Not a number if the voltage
/// was none.
class TimeChargedAbove final : public verdict::Monitor {
 public:
  TimeChargedAbove(double level_v, Nanos stopped_after) : level_v_{level_v}, stopped_after_{stopped_after} {}
  void on_sample(const trace::Sample& sample) override {
    if (seen_) {
      integral_ += 0.5 * (last_v_ + sample[Signal::kBusV]) * in_seconds(sample.time - last_);
    } else {
      window_ = sample.time;
    }
    seen_ = true;
    last_ = sample.time;
    last_v_ = sample[Signal::kBusV];
    if (sample[Signal::kGate] > 0.5) last_on_ = sample.time;
    if (sample.time - window_ >= kWindow) close_window();
  }
  [[nodiscard]] Figure figure() const override { return figure_; }

 private:
  static constexpr Nanos kWindow{1'000'000'000};

  void close_window() {
    const double window_s = in_seconds(last_ - window_);
    const bool charged = last_on_ && last_ - *last_on_ < stopped_after_;
    if (!std::isfinite(integral_)) figure_.value = integral_;
    if (integral_ / window_s > level_v_ && charged) {
      figure_.value += window_s;
      figure_.worst = last_;
      ++figure_.exercised;
    }
    window_ = last_;
    integral_ = 0;
  }

  double level_v_;
  Nanos stopped_after_;
  bool seen_{false};
  Nanos window_{0}, last_{0};
  std::optional<Nanos> last_on_;
  double last_v_{0}, integral_{0};
  Figure figure_;
};

class Charging : public testing::Acceptance {
 protected:
  /// One per cent below the absorption voltage: below it, a lead-acid battery is not being absorbed.
  [[nodiscard]] double threshold_v() const { return 0.99 * declared().absorption_v; }

  [[nodiscard]] static bool lithium() {
    return std::holds_alternative<plant::LiFePo4Params>(testing::bench().site.battery);
  }

  /// A battery nearly full, in full sun, at its absorption voltage. False: it never came so far.
  bool reach_absorption() {
    using namespace testing::literals;
    power_up({.soc_frac = 0.97, .sun = 1000_Wpm2});
    return await_regulation(declared().absorption_v, 30min);
  }

  /// To float, on a battery as good as full.
  bool reach_float() {
    using namespace testing::literals;
    power_up({.soc_frac = 0.98, .sun = 1000_Wpm2});
    if (lithium()) keep_drawing();
    const double longest_s = declared().absorption_longest_s.value_or(1.5 * declared().absorption_time_s.value_or(0.0));
    if (!await_level(verdict::Side::kAbove, threshold_v(), 30min) ||
        !await_end_of_absorption(from_seconds(longest_s + 60.0))) {
      return false;
    }
    return !lithium() || come_down_to(*declared().float_v);
  }

  /// Until the mean over a second lies on a side of a level; false: not within `patience`.
  bool await_level(verdict::Side side, double level_v, Nanos patience) {
    const Nanos end = rig().now() + patience;
    while (rig().now() < end && rig().invalid_because().empty()) {
      const double mean_v = mean_of(Signal::kBusV, Nanos{1'000'000'000});
      if (side == verdict::Side::kAbove ? mean_v > level_v : mean_v < level_v) {
        return true;
      }
    }
    return false;
  }

  /// In full sun: until the voltage falls or, of a battery that keeps it, the device has not charged for ten seconds.
  bool await_end_of_absorption(Nanos patience) {
    if (!lithium()) return await_level(verdict::Side::kBelow, threshold_v(), patience);
    const Nanos end = rig().now() + patience;
    while (rig().now() < end && rig().invalid_because().empty()) {
      if (mean_of(Signal::kGate, Nanos{10'000'000'000}) == 0.0) return true;
    }
    return false;
  }

  /// A little, so that there is always something to charge for while the device holds its voltage.
  void keep_drawing() { battery_feeds(testing::Amperes{kLittle * full_sun_a()}); }

  /// Draws the battery down until the device charges again to hold a voltage, with a load left on, and lets that
  /// settle. False: it never came so far.
  [[nodiscard]] bool come_down_to(double level_v) {
    using namespace std::chrono_literals;
    bool holds = false;
    for (int k = 0; k < kMostDraws && !holds && rig().invalid_because().empty(); ++k) {
      battery_feeds(testing::Amperes{kMuch * full_sun_a()});
      let_pass(20s);
      battery_feeds(testing::Amperes{2.0 * kLittle * full_sun_a()});
      let_pass(10s);
      const double duty = mean_of(Signal::kGate, 2s);
      holds = duty > kAtAll && mean_of(Signal::kBusV, 1s) < 1.01 * level_v;
    }
    let_pass(from_seconds(2.0 * declared().settle_s));
    return holds;
  }

  /// Draws the battery down until it rests below a level. False: it never did.
  [[nodiscard]] bool draw_below(double level_v) {
    using namespace std::chrono_literals;
    for (int k = 0; k < kMostDraws && rig().invalid_because().empty(); ++k) {
      if (mean_of(Signal::kBusV, 1s) < level_v) return true;
      battery_feeds(testing::Amperes{kMuch * full_sun_a()});
      let_pass(10s);
      battery_feeds(testing::Amperes{0.0});
      let_pass(10s);
    }
    return false;
  }

  /// The device's set point has moved: until the battery, which keeps its voltage, has come up or down to it.
  [[nodiscard]] bool follow_set_point(double to_v) {
    using namespace std::chrono_literals;
    return mean_of(Signal::kBusV, 1s) > to_v ? come_down_to(to_v) : await_regulation(to_v, 30min);
  }

  /// Until the device, holding its voltage, needs the same duty minute after minute: a lithium battery takes less and
  /// less for a while, and then no more than what is drawn. False: it still changed after half an hour.
  [[nodiscard]] bool come_to_rest() {
    using namespace std::chrono_literals;
    constexpr double kSameDuty = 0.005;
    keep_drawing();
    double before = mean_of(Signal::kGate, 20s);
    for (int k = 0; k < 30 && rig().invalid_because().empty(); ++k) {
      let_pass(40s);
      const double now = mean_of(Signal::kGate, 20s);
      if (std::abs(now - before) < kSameDuty) return true;
      before = now;
    }
    return false;
  }

 private:
  // Loads against what the array gives in full sun, and a duty that is one.
  static constexpr double kLittle = 0.1, kMuch = 4.0;
  static constexpr double kAtAll = 0.01;
  static constexpr int kMostDraws = 60;

  [[nodiscard]] double full_sun_a() const {
    using namespace testing::literals;
    return array_a(1000_Wpm2);
  }
};

}  // namespace dawnrig::acceptance
