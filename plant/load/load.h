#pragma once
#include <variant>
#include "plant/core/problems.h"
namespace dawnrig::plant {
struct ResistiveParams { double resistance_ohm{10.0}; };
struct ConstantCurrentParams { double current_a{1.0}; double dropout_v{1.0}; };
struct ConstantPowerParams { double power_w{10.0}; double dropout_v{10.0}; };
struct LampParams {
  double hot_resistance_ohm{27.0};
  double cold_resistance_ohm{2.2};
  double rated_v{24.0};
  double time_constant_s{0.03};
};
struct LoadParams {
  std::variant<ResistiveParams, ConstantCurrentParams, ConstantPowerParams, LampParams> kind;
  bool unswitched{false};  ///< wired to the bus, past the load switch
  void check(Problems& problems) const;
};
}  // namespace dawnrig::plant
