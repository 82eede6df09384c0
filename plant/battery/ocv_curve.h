// Plant, battery: open-circuit voltage of a cell over its state of charge. May use plant/core only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

#include "plant/core/problems.h"

namespace dawnrig::plant {

/// One row of a published table.
struct OcvPoint {
  double soc_frac{0.0};
  double cell_v{0.0};
};

inline constexpr std::size_t kMostOcvPoints = 32;

/// Complains unless the points run from empty to full with voltages that rise, none outside lowest_v..highest_v.
void check_ocv(Problems& problems, const std::string& field, const std::vector<OcvPoint>& points, double lowest_v,
               double highest_v);

/// Through the points goes a cubic between each two of them, with slopes that are continuous and never turn down where
/// the points rise: a table of 25 % steps shows no corners to a solver, and no waves that are not in it. Beyond the
/// ends it runs straight on. Two points make a straight line.
///
/// Slopes: the weighted harmonic mean of the two neighbouring differences, one-sided at the ends. Source: Fritsch and
/// Butland, "A method for constructing local monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5
/// (1984) 300. Checked in tests/plant/ocv_curve_test.cc.
class OcvCurve {
 public:
  struct Value {
    double cell_v{};
    double d_soc{};
  };

  /// Demands points that check_ocv() found nothing wrong with.
  explicit OcvCurve(const std::vector<OcvPoint>& checked);

  [[nodiscard]] bool straight() const { return straight_; }
  [[nodiscard]] Value at(double soc_frac) const {
    if (straight_) return {from_v_ + slope_v_per_soc_ * soc_frac, slope_v_per_soc_};
    return bent(soc_frac);
  }

 private:
  struct Piece {
    double from_soc_frac{}, from_v{}, d_soc{}, half_d_soc2{}, sixth_d_soc3{};
  };
  static constexpr std::size_t kDoors = 128;  // where to begin looking, by an even division of the state of charge

  [[nodiscard]] Value bent(double soc_frac) const;

  bool straight_;
  double from_v_{}, slope_v_per_soc_{};
  double last_slope_v_per_soc_{}, last_v_{};
  std::vector<Piece> pieces_;
  std::array<std::uint8_t, kDoors> door_{};
};

}  // namespace dawnrig::plant
