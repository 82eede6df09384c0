// Plant: the step that leads past the present. May use plant only; for circuit_run.h.
#pragma once

#include <array>
#include <cstddef>
#include <limits>

#include "plant/circuit_system.h"
#include "plant/core/time.h"
#include "plant/pin_ways.h"
#include "plant/remainder.h"

namespace dawnrig::plant {

/// A step that the integrator has taken from where a circuit stands, and the circuit not yet: a converter samples its
/// pins on the way, and when the step's end has come the circuit stands there. If conditions change before, the step is
/// forgotten.
///
/// A conversion pulls at its pin, which falls back as fast as its network lets it, and gives its node a share of that:
/// picocoulombs, but in the dark nothing else moves a panel's input. Both are added to what the step finds when the
/// circuit is next put down somewhere.
class Foresight {
 public:
  using Vector = CircuitSystem::Vector;

  [[nodiscard]] bool any() const { return any_; }
  /// The sun as it was taken to be: conditions that change otherwise come with another run.
  [[nodiscard]] bool starts_at(Nanos now, const Conditions::Sun& sun) const {
    return any_ && from_ == now && sun_ == sun;
  }
  [[nodiscard]] bool covers(Nanos now, const Conditions::Sun& sun, Nanos at) const {
    return starts_at(now, sun) && at < to_;
  }
  [[nodiscard]] Nanos end() const { return to_; }
  /// At the end; books from the start of the step.
  [[nodiscard]] const Vector& end_y() const { return end_y_; }
  /// Whether it is an interval that is remembered, end and ways and all: see TransitionMemory::last_interval().
  [[nodiscard]] bool remembered() const { return remembered_; }
  void forget() { any_ = false; }

  /// To be filled in: the ways of the pins from y.
  PinWays& begin(const CircuitSystem& system, Nanos from, const Vector& y) {
    from_ = from;
    for (std::size_t i = 0; i < system.params().sense.size(); ++i) ways_.of[i].start_v = y[system.first_sense() + i];
    return ways_;
  }
  void keep(Nanos to, const Conditions::Sun& sun, const Vector& end_y, double proposed_s) {
    to_ = to;
    sun_ = sun;
    end_y_ = end_y;
    proposed_s_ = proposed_s;
    any_ = true;
    remembered_ = false;
  }
  /// In place of begin() and keep(): an interval that is remembered, from its edge.
  void keep_remembered(Nanos from, Nanos to, const Conditions::Sun& sun, const Remainder& remainder) {
    from_ = from;
    to_ = to;
    sun_ = sun;
    for (std::size_t i = 0; i < kMaxSense; ++i) ways_.of[i].start = remainder.pin_start(i);
    any_ = remembered_ = true;
  }
  /// The length of step to try after it.
  [[nodiscard]] double proposed_s() const { return proposed_s_; }

  /// From one call to the next `at` is no earlier.
  [[nodiscard]] double pin_v(std::size_t pin, Nanos at) {
    return ways_.of[pin].start_v + ways_.moved_v(pin, in_seconds(at - from_)) + pulled_v(pin, at);
  }
  /// Likewise: what is left there of what conversions have pulled.
  [[nodiscard]] double pulled_v(std::size_t pin, Nanos at) {
    if (pulled_[pin].v != 0.0) fall_back(pin, at);
    return pulled_[pin].v;
  }
  /// How long after the step's start.
  [[nodiscard]] Nanos since_start(Nanos at) const { return at - from_; }
  [[nodiscard]] double pin_rate_per_s(std::size_t pin) const { return ways_.of[pin].start.pin_d_pin; }
  /// What a converter's input makes of a volt between it and a pin of that capacitance.
  [[nodiscard]] const PinShare& share(std::size_t pin, const AdcInputParams& input, double capacitance_f) {
    Shared& of = shared_[pin];
    if (of.pin_rate_per_s != pin_rate_per_s(pin) || !(of.input == input)) work_out_share(pin, input, capacitance_f);
    return of.share;
  }
  /// Where pin_v() was asked for at the same instant.
  void pull(std::size_t pin, Nanos at, double by_v) {
    pulled_[pin].v += by_v;
    pulled_[pin].at = at;
    ++pulls_;
  }
  /// Adds to y, which is the circuit at `now`, what conversions up to then have pulled; each of them once.
  void settle_pulls(const CircuitSystem& system, Nanos now, Vector& y) {
    if (pulls_ > 0) settle(system, now, y);
  }

 private:
  struct Pull {
    double v{0.0};
    double felt_v_s{0.0};  // the pin's deviation over time, before that
    Nanos at{0};
  };
  struct Shared {
    double pin_rate_per_s{std::numeric_limits<double>::quiet_NaN()};
    AdcInputParams input;
    PinShare share;
  };
  void settle(const CircuitSystem& system, Nanos now, Vector& y);
  void fall_back(std::size_t pin, Nanos now);
  void work_out_share(std::size_t pin, const AdcInputParams& input, double capacitance_f);

  bool any_{false}, remembered_{false};
  Nanos from_{0}, to_{0};
  Conditions::Sun sun_;
  double proposed_s_{0.0};
  Vector end_y_{};
  PinWays ways_;
  std::array<Pull, kMaxSense> pulled_{};
  std::array<Shared, kMaxSense> shared_{};
  int pulls_{0};  // how many pins may have been pulled
};

}  // namespace dawnrig::plant
