#include "plant/pin_ways.h"

#include <cmath>

#include "plant/core/gram.h"

namespace dawnrig::plant {
namespace {

// What a way's powers and exponentials may come to while they cancel out to millivolts: 1e-13 of it are lost.
constexpr double kMostV = 100.0;
constexpr double kUnseenV = 1e-12;

// By how much something that decays or grows with that rate over the step moves a pin; not a number is seen.
bool may_be_seen(double rate, double by) {
  return !(std::abs(by) < kUnseenV && rate < 1.0);
}

}  // namespace

double PinWays::moved_by_phi_v(std::size_t pin, const Instant& at) const {
  const Way& way = of[pin];
  const double t_s = at.t_s;
  const double share = at.share_frac;
  const double squared = share * share;
  const double cubed = squared * share;
  const TwoModes::Step& s = at.part;
  const TwoModes::Follower follower{s, t_s * way.start.pin_d_pin};
  const Along driven{way.driven[0],         way.driven[1],           way.driven[2],
                     share * way.driven[3], squared * way.driven[4], cubed * way.driven[5]};
  return t_s * (follower.phi[1] * way.start.pin_per_s + way.start.pin_d_node * Gram::dot(follower.led_by(s), driven) +
                2.0 * follower.phi[3] * squared * way.missed_v_per_s);
}

void PinWays::lay_out_modes() {
  for (std::size_t m = 0; m < 2; ++m) {
    modes_[m].solve(forces_.z[m], {forces_.r0[m], forces_.r1[m], forces_.r2[m], forces_.r3[m]}, Response::kFewForces);
  }
  modes_laid_out_ = true;
}

void PinWays::lay_out(std::size_t pin) {
  const Way& way = of[pin];
  const double own = length_s_ * way.start.pin_d_pin;
  const double led = length_s_ * way.start.pin_d_node;
  Response::Powers force{length_s_ * way.start.pin_per_s + led * way.driven[0], led * way.driven[3],
                         led * way.driven[4] + length_s_ * way.missed_v_per_s, led * way.driven[5]};
  std::size_t forces = Response::kFewForces;
  Sum& sum = sums_[pin];
  sum.decays = 0;
  double own_by = 0.0;
  double whole_v = 0.0;
  const auto decay = [&](double rate, double by) {
    if (!may_be_seen(rate, by)) return;
    sum.decay_v[sum.decays++] = {rate, by};
    whole_v += std::abs(by);
  };
  for (std::size_t m = 0; m < 2; ++m) {
    const double share = led * way.driven[m + 1];
    if (share == 0.0) continue;
    if (!modes_laid_out_) lay_out_modes();
    const Response& mode = modes_[m];
    const double z = forces_.z[m];
    const double by = share * mode.c;
    if (std::abs(z) < Response::kSlow) {
      for (std::size_t k = 1; k < Response::kPowers; ++k) force[k] += share * mode.power[k - 1];
      forces = Response::kPowers;
    } else {
      for (std::size_t k = 1; k < Response::kFewForces; ++k) force[k] += share * mode.power[k - 1];
    }
    if (!may_be_seen(z, by)) continue;
    const double led_by = by / (z - own);
    force[0] -= by;
    decay(z, led_by);
    own_by -= led_by;
  }
  Response& alone = sum.alone;
  const std::size_t powers = alone.solve(own, force, forces);
  decay(own, alone.c + own_by);
  sum.powers = 0;
  for (std::size_t k = 0; k < powers; ++k) {
    const double most_v = std::abs(alone.power[k]);
    whole_v += most_v;
    if (most_v > kUnseenV) sum.powers = k + 1;
  }
  form_[pin] = whole_v < kMostV ? Form::kSum : Form::kPhi;
}

}  // namespace dawnrig::plant
