#include "plant/pin_ways.h"

#include "plant/core/gram.h"

namespace dawnrig::plant {

double PinWays::moved_v(std::size_t pin, double t_s) const {
  const Way& way = of[pin];
  const double share = t_s / length_s;
  const double squared = share * share;
  const double cubed = squared * share;
  TwoModes::Step s = two.over(t_s);
  static_cast<void>(two.bend(s, t_s, {squared * bend_v_per_s[0], squared * bend_v_per_s[1]},
                             {cubed * twist_v_per_s[0], cubed * twist_v_per_s[1]}));
  const TwoModes::Follower follower{s, t_s * way.start.pin_d_pin};
  const Along driven{way.driven[0],         way.driven[1],           way.driven[2],
                     share * way.driven[3], squared * way.driven[4], cubed * way.driven[5]};
  return t_s * (follower.phi[1] * way.start.pin_per_s + way.start.pin_d_node * Gram::dot(follower.led_by(s), driven) +
                2.0 * follower.phi[3] * squared * way.missed_v_per_s);
}

}  // namespace dawnrig::plant
