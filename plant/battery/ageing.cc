#include "plant/battery/ageing.h"

#include "plant/core/range_check.h"

namespace dawnrig::plant {

void Ageing::check(Problems& problems) const {
  check_range(problems, "ageing.resistance_scale", resistance_scale, {0.1, 20.0});
  check_range(problems, "ageing.capacity_scale", capacity_scale, {0.05, 1.5});
  check_range(problems, "ageing.acceptance_scale", acceptance_scale, {0.1, 20.0});
  check_range(problems, "ageing.gassing_scale", gassing_scale, {0.0, 50.0});
}

}  // namespace dawnrig::plant
