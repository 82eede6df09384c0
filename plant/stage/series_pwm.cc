#include "plant/stage/series_pwm.h"

namespace dawnrig::plant {

BlockingBranch::BlockingBranch(const StageParams& checked, double junction_degc)
    : branch_{checked.blocking_diode,
              std::holds_alternative<ShuntPwmParams>(checked.topology) ? 0.0 : checked.switch_ohm(junction_degc),
              junction_degc} {}

}  // namespace dawnrig::plant
