#include "plant/stage/buck.h"

#include <cmath>
#include <limits>

namespace dawnrig::plant {
namespace {

constexpr double kThermalVoltageAt25 = 8.617333262e-5 * 298.15;
constexpr DiodeParams kComparator{kZeroLeakA, kZeroKneeV / kThermalVoltageAt25, 0.0, false, 0.69, 2.0};

}  // namespace

BuckStage::BuckStage(const StageParams& checked, const BuckParams& buck, double degc)
    : inductance_henry_{buck.inductance_henry},
      winding_ohm_{buck.winding_ohm},
      core_s_{1.0 / buck.core_ohm},
      main_s_{1.0 / checked.switch_ohm(degc)},
      freewheel_s_{1.0 / buck.freewheel_ohm},
      blocks_reverse_{buck.blocks_reverse},
      freewheel_{buck.freewheel},
      blocking_{checked.blocking_diode, checked.switch_ohm(degc), degc},
      body_{buck.body_diode, 0.0, degc},
      freewheel_diode_{buck.freewheel_diode, 0.0, degc},
      until_zero_{kComparator, buck.freewheel_ohm} {}

BuckStage::Ports BuckStage::ports_at(double input_v, double node_v, const BuckDrive& drive, Scratch& scratch) const {
  Ports p;
  const double across_v = input_v - node_v;
  if (drive.main_on) {
    p.main = blocks_reverse_ ? blocking_.at(across_v, scratch.main) : BranchPoint{main_s_ * across_v, main_s_};
  } else if (!blocks_reverse_) {
    const BranchPoint back = body_.at(-across_v, scratch.body);
    p.main = {-back.current_a, back.d_voltage};
  }
  if (freewheel_ == Freewheel::kDiode || !drive.freewheel_on) {
    p.freewheel = freewheel_diode_.at(-node_v, scratch.freewheel);
  } else if (freewheel_ == Freewheel::kUntilZero) {
    p.freewheel = until_zero_.at(-node_v, scratch.freewheel);
  } else {
    p.freewheel = {-freewheel_s_ * node_v, freewheel_s_};
  }
  return p;
}

// What flows out of x less what flows into it rises with x, by Rcore's conductance at least: one root, found by Newton
// within whatever bracket has shown itself.
bool BuckStage::at(double input_v, double bus_v, double inductor_a, const BuckDrive& drive, Scratch& scratch,
                   BuckPoint& point) const {
  constexpr int kMostIterations = 200;
  constexpr double kCloseV = 1e-9;  // and another step, along the slopes, from there
  double low = -std::numeric_limits<double>::infinity();
  double high = std::numeric_limits<double>::infinity();
  double x = std::isfinite(scratch.node_v) ? scratch.node_v : 0.0;
  Ports p;
  double slope_s = 0.0;
  for (int iteration = 0;; ++iteration) {
    p = ports_at(input_v, x, drive, scratch);
    slope_s = core_s_ + p.main.d_voltage + p.freewheel.d_voltage;
    const double surplus_a = inductor_a + core_s_ * (x - bus_v) - p.main.current_a - p.freewheel.current_a;
    const double step = -surplus_a / slope_s;
    if (!(iteration < kMostIterations) || !std::isfinite(step)) return false;
    (surplus_a > 0.0 ? high : low) = x;
    if (std::abs(step) <= kCloseV * (1.0 + std::abs(x))) {
      x += step;
      p.main.current_a -= p.main.d_voltage * step;
      break;
    }
    const double next = x + step;
    const bool bracketed = std::isfinite(low) && std::isfinite(high);
    x = !bracketed || (next > low && next < high) ? next : 0.5 * (low + high);
    if (x == low || x == high) break;
  }
  scratch.node_v = x;
  const double per_s = 1.0 / slope_s;
  const std::array<double, 3> node_slope{p.main.d_voltage * per_s, core_s_ * per_s, -per_s};
  point.node_v = x;
  point.from_input_a = p.main.current_a;
  point.into_bus_a = inductor_a + core_s_ * (x - bus_v);
  point.inductor_a_per_s = (x - bus_v - winding_ohm_ * inductor_a) / inductance_henry_;
  for (std::size_t i = 0; i < 3; ++i) {
    point.from_input_d_state[i] = -p.main.d_voltage * node_slope[i];
    point.into_bus_d_state[i] = core_s_ * node_slope[i];
    point.inductor_d_state[i] = node_slope[i] / inductance_henry_;
  }
  point.from_input_d_state[0] += p.main.d_voltage;
  point.into_bus_d_state[1] -= core_s_;
  point.into_bus_d_state[2] += 1.0;
  point.inductor_d_state[1] -= 1.0 / inductance_henry_;
  point.inductor_d_state[2] -= winding_ohm_ / inductance_henry_;
  return true;
}

}  // namespace dawnrig::plant
