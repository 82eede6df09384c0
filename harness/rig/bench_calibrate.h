// Calibrating an interface board against a meter that a person holds: which voltage to set, what was read, and the
// constants that come of it. Room: harness/rig. May use harness/link, harness/base.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "harness/link/session.h"

namespace dawnrig::rig {

/// A code that was set and what the meter said.
struct MeterPoint {
  std::uint16_t code_lsb{0};
  double measured_v{0};
};

/// An output's constants by least squares: a straight line through two points, a bow as well from four on. `residual_v`
/// is the largest that any point is off.
struct OutputFit {
  link::OutputCalibration output;
  double residual_v{0};
};
/// Throws base::BadInput if the points cannot belong to an output of 0 to 5 V: fewer than two, the wrong way round, far
/// from what was set.
[[nodiscard]] OutputFit fit_output(const std::string& name, const std::vector<MeterPoint>& points);

/// U (k = 2) of every output: the meter's own, the worst residual, half a step of the converter, as root of the sum of
/// squares.
[[nodiscard]] std::uint32_t combined_uncertainty_uv(double meter_uncertainty_v, double worst_residual_v, double step_v);

struct CalibrationPlan {
  int points{3};                      ///< per output, 2 to 5, evenly from 5 % to 95 % of the range
  double meter_uncertainty_v{0.001};  ///< of the meter at 5 V, k = 2
  std::uint32_t serial_number{1};
  std::uint32_t today{0};
  std::int32_t board_mdegc{25'000};
};

/// What the person has to do and see at one point.
struct CalibrationStep {
  std::size_t channel{0};
  bool gate_on{false};
  int point{0}, points{0};
  double about_v{0};  ///< what the meter should show, nearly
};

/// Asked again and again until it has an answer, since the board must not be left alone: nullopt means not yet.
using MeterReader = std::function<std::optional<double>(const CalibrationStep&)>;
/// Called when the gate input has to be joined to something else: false for off (open), true for on.
using GateJoiner = std::function<void(bool on)>;

struct CalibrationOutcome {
  link::Calibration stored;
  std::array<double, link::kOutputs> residual_v{};
};

/// Goes through all outputs, stores what it found on the board and reads it back. First all levels of gate off with the
/// gate input open, then those of gate on with it joined to the device's supply. Nothing else may be connected to the
/// outputs. Throws base::BadInput for readings that make no sense, base::RunFault if the board does not answer.
[[nodiscard]] CalibrationOutcome calibrate(link::Session& session, link::Clock& clock, const CalibrationPlan& plan,
                                           const GateJoiner& join_gate, const MeterReader& read_meter);

}  // namespace dawnrig::rig
