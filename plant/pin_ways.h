// Plant: the sense pins along one step of GateStepper, at any instant of it. May use plant only; for foresight.h.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

#include "plant/circuit_point.h"
#include "plant/core/response.h"
#include "plant/core/two_modes.h"

namespace dawnrig::plant {

/// The closed forms that GateStepper draws over a step, asked for before its end: the nodes' modes under the same
/// forces, each pin after its node or current. What the step found a pin to miss at its end grows with the square of
/// the time. At the end it is the step's own solution. Checked in tests/plant/foresight_test.cc.
///
/// Who asks for a pin asks several times in a step. A way is therefore laid out when it is first asked for: as powers
/// of the time and what decays exponentially, without those parts of it that nobody could see. Where that form would
/// cost digits, as of a mode that is nearly as quick as the pin, the phi functions are worked out each time instead.
/// Checked in tests/plant/pin_ways_test.cc.
class PinWays {
 public:
  struct Way {
    double start_v{};
    double missed_v_per_s{};  ///< at the end of the step, by the straight lines
    SensePoint start;
    Along driven{};  ///< what drives it, as of the whole step
  };

  /// Another step, whose ways are yet to be told: of that length, with its modes as they were bent.
  void begin(double length_s, const TwoModes::Forces& forces) {
    length_s_ = length_s;
    per_length_s_ = 1.0 / length_s;
    forces_ = forces;
    modes_laid_out_ = false;
    form_.fill(Form::kNotYet);
  }

  /// How far a pin has come from its start, t_s after the step's; within 1e-10 V.
  [[nodiscard]] double moved_v(std::size_t pin, double t_s) {
    if (form_[pin] == Form::kNotYet) lay_out(pin);
    return form_[pin] == Form::kSum ? sums_[pin].moved_v(t_s * per_length_s_) : moved_by_phi_v(pin, t_s);
  }
  /// An instant of the step, with what is the same there for all pins.
  struct Instant {
    double t_s{}, share_frac{};
    TwoModes::Step part;
  };
  [[nodiscard]] Instant instant(double t_s) const {
    const double share_frac = t_s / length_s_;
    return {t_s, share_frac, TwoModes::part(forces_, share_frac)};
  }
  /// moved_v() without what is laid out, to rounding.
  [[nodiscard]] double moved_by_phi_v(std::size_t pin, const Instant& at) const;
  [[nodiscard]] double moved_by_phi_v(std::size_t pin, double t_s) const { return moved_by_phi_v(pin, instant(t_s)); }
  /// Whether the way of a pin that was asked for is laid out as powers and exponentials; and in how many parts.
  [[nodiscard]] bool is_sum(std::size_t pin) const { return form_[pin] == Form::kSum; }
  [[nodiscard]] std::size_t parts(std::size_t pin) const { return sums_[pin].powers + sums_[pin].decays; }

  std::array<Way, kMaxSense> of;

 private:
  struct Sum {
    Response alone;  // of the pin to what is a polynomial; its powers are the sum's
    std::array<Decay, 3> decay_v{};
    std::size_t powers{}, decays{};
    [[nodiscard]] double moved_v(double share_frac) const {
      double v = 0.0;
      for (std::size_t k = powers; k > 0; --k) v = (v + alone.power[k - 1]) * share_frac;
      for (std::size_t i = 0; i < decays; ++i) v += decay_v[i].at(share_frac);
      return v;
    }
  };
  enum class Form : std::uint8_t { kNotYet, kSum, kPhi };

  void lay_out_modes();
  void lay_out(std::size_t pin);

  double length_s_{}, per_length_s_{};
  TwoModes::Forces forces_;
  bool modes_laid_out_{false};
  std::array<Response, 2> modes_;
  std::array<Form, kMaxSense> form_{};
  std::array<Sum, kMaxSense> sums_;
};

}  // namespace dawnrig::plant
