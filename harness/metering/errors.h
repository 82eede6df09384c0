// The errors of one board in every corner of a budget, before and after calibration.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <array>
#include <optional>
#include <span>
#include <vector>

#include "harness/metering/budget.h"

namespace dawnrig::metering {

/// How codes become readings: the recommended line, or for a thermistor the law of its parts, straight from quarter to
/// quarter of a code.
class Conversion {
 public:
  Conversion(const Chain& nominal, const profile::SenseChannel& channel, const std::vector<SetPoint>& points);
  [[nodiscard]] double at(double position_lsb) const;
  [[nodiscard]] const std::optional<Line>& line() const { return line_; }

 private:
  std::optional<Line> line_;
  std::vector<double> quarters_;
};

using CornerErrors = std::array<std::vector<double>, kCalibrations>;

/// Draws of a board's parts go in, its errors come out. The last variable of `z` is the meter's.
class Errors {
 public:
  Errors(const Uncertain& parts, const Conversion& conversion, const profile::SenseChannel& channel,
         const Budget& frame, double meter_frac);
  [[nodiscard]] std::size_t variables() const { return parts_.variables().size() + 1; }
  void of(std::span<const double> z, CornerErrors& errors) const;

 private:
  [[nodiscard]] double read(const Chain& chain, double sensed, double board_degc, double blur_lsb) const;
  const Uncertain& parts_;
  const Conversion& conversion_;
  const Budget& frame_;
  bool by_factor_;  ///< a one-point calibration scales; otherwise it shifts
  double meter_frac_;
  std::size_t low_point_{};
};

}  // namespace dawnrig::metering
