// What a circuit is built from: what is wrong with it, and what is worked out of it once.
#include <string>

#include "plant/circuit.h"
#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

std::optional<BuckStage> buck_of(const StageParams& stage) {
  const auto* buck = std::get_if<BuckParams>(&stage.topology);
  return buck != nullptr ? std::optional<BuckStage>{std::in_place, stage, *buck} : std::nullopt;
}

}  // namespace

void CircuitParams::check(Problems& problems) const {
  const auto part = [&](const std::string& prefix, const auto& params) {
    Problems inner;
    params.check(inner);
    add_under(problems, prefix, inner);
  };
  part("panel", panel);
  if (array) part("array", *array);
  check_range(problems, "panel_cable_ohm", panel_cable_ohm, {1e-5, 10.0});
  check_range(problems, "battery_cable_ohm", battery_cable_ohm, {1e-5, 10.0});
  check_range(problems, "cable_per_k", cable_per_k, {0.0, 0.02});
  if (battery_fuse) part("battery_fuse", *battery_fuse);
  if (panel_fuse) part("panel_fuse", *panel_fuse);
  part("stage", stage);
  std::visit([&](const auto& chemistry) { part("battery", chemistry); }, battery);
  check_range(problems, "load_switch_ohm", load_switch_ohm, {0.0, 10.0, true});
  if (loads.size() > kMaxLoads) problems.add("loads", "are more than " + std::to_string(kMaxLoads));
  if (sense.size() > kMaxSense) problems.add("sense", "are more than " + std::to_string(kMaxSense));
  for (std::size_t i = 0; i < loads.size(); ++i) part("loads[" + std::to_string(i) + "]", loads[i]);
  for (std::size_t i = 0; i < sense.size(); ++i) part("sense[" + std::to_string(i) + "]", sense[i]);
}

CircuitParts::CircuitParts(const CircuitParams& checked)
    : panel{checked.panel, checked.array, checked.panel_cable_ohm},
      branch{checked.stage},
      buck{buck_of(checked.stage)},
      battery{checked.battery} {
  sense.reserve(checked.sense.size());
  for (const SenseParams& p : checked.sense) sense.emplace_back(p);
}

}  // namespace dawnrig::plant
