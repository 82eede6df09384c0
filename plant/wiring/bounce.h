// Plant, wiring: the openings and closures of a contact that does not make or break at once. May use plant/core only.
#pragma once

#include <cstdint>
#include <vector>

#include "plant/core/time.h"

namespace dawnrig::plant {

struct BounceParams {
  bool ends_closed{true};
  int closures{5};  ///< how often the contact closes on the way, the last one included where it ends closed
  Nanos over{Nanos{20'000'000}};
  std::uint64_t seed{0};
};

struct Contact {
  Nanos after{0};  ///< the beginning of the bounce
  bool closed{false};
};

/// All changes in order, alternating, the first at once, the last at `over`; a contact that ends closed opens first and
/// one that ends open closes first. The instants between are drawn evenly over the time, so that contacts of
/// microseconds occur among such of milliseconds. The same seed draws the same bounce: the generator is SplitMix64 of
/// Steele, Lea and Flood (OOPSLA 2014). Checked in tests/plant/wiring_test.cc.
[[nodiscard]] std::vector<Contact> bounce(const BounceParams& params);

}  // namespace dawnrig::plant
