// The capacitor at a sense pin of the twin's device, held against closed forms.
#include <gtest/gtest.h>

#include <cmath>

#include "harness/rig/twin_filter.h"

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;

/// An output of the interface board after an edge: on its way from 0 V to 2 V with the board's own microsecond.
constexpr double kOutputTauS = 1e-6, kEndV = 2.0;
double output_v_at(Nanos at) {
  return kEndV * (1.0 - std::exp(-in_seconds(at) / kOutputTauS));
}
double pin_v_at(Nanos at, double tau_s) {
  const double t_s = in_seconds(at);
  return kEndV *
         (1.0 - (tau_s * std::exp(-t_s / tau_s) - kOutputTauS * std::exp(-t_s / kOutputTauS)) / (tau_s - kOutputTauS));
}

TEST(PinFilter, FollowsAnOutputThatIsStillOnItsWay) {
  for (const double tau_s : {2e-6, 13e-6, 130e-6}) {
    PinFilter looked_at_often;
    looked_at_often.set_tau_s(tau_s);
    for (Nanos at{500}; at <= Nanos{60us}; at += Nanos{500}) {
      looked_at_often.advance(at, output_v_at);
      EXPECT_NEAR(looked_at_often.v(), pin_v_at(at, tau_s), 0.01 * kEndV * kOutputTauS / tau_s)
          << "time constant " << tau_s << " s, " << at.count() << " ns after the edge";
    }
    PinFilter looked_at_once;
    looked_at_once.set_tau_s(tau_s);
    looked_at_once.advance(60us, output_v_at);
    EXPECT_NEAR(looked_at_once.v(), pin_v_at(60us, tau_s), 1e-4) << "time constant " << tau_s << " s";
  }
}

TEST(PinFilter, IsPulledAndComesBack) {
  PinFilter filter;
  filter.set_tau_s(10e-6);
  filter.advance(1ms, [](Nanos) { return 3.0; });
  EXPECT_NEAR(filter.v(), 3.0, 1e-9);
  filter.pull(-0.5);
  filter.advance(1010us, [](Nanos) { return 3.0; });
  EXPECT_NEAR(filter.v(), 3.0 - 0.5 * std::exp(-1.0), 1e-9);
}

}  // namespace
}  // namespace dawnrig::rig
