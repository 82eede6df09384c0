// Plant, battery: what years have done to it. May use plant/core only.
#pragma once

#include "plant/core/problems.h"

namespace dawnrig::plant {

/// Multiples of what the battery measured when new.
struct Ageing {
  double resistance_scale{1.0};  ///< series and both pairs
  double capacity_scale{1.0};
  double acceptance_scale{1.0};  ///< of the resistances that grow near full and near empty
  double gassing_scale{1.0};
  void check(Problems& problems) const;
};

}  // namespace dawnrig::plant
