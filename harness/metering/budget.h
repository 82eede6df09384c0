// The error budget: what every promise of a maker is worth in millivolts at the terminal.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "harness/metering/account.h"
#include "harness/metering/uncertain.h"

namespace dawnrig::metering {

struct BudgetOptions {
  std::string channel;
  double from_degc{-10}, to_degc{40};  ///< of the board
  int bits{10};
  int draws{100000};
  std::uint64_t seed{1};
  double meter_frac{0.0005};  ///< half-width of the meter that a calibration is made with
  double demand_frac{0.01};   ///< of the reading (a current: of the largest set point): what a board has to hold
  double demand_k{2};         ///< instead, for a temperature
};

enum class Calibration : std::uint8_t { kNone, kOnePoint, kTwoPoint };
inline constexpr std::size_t kCalibrations = 3;

/// A set point at a temperature of the board.
struct Corner {
  std::size_t set_point{};
  double board_degc{};
};

/// Errors at the terminal, reported minus true, in the channel's unit.
struct CornerResult {
  double fixed{};                           ///< of a board whose parts are all as labelled
  double worst_case{}, rss{};               ///< half-widths around that, from the linear budget
  double linear_sigma{};                    ///< what the linear budget says the draws should scatter by
  double sigma{}, low{}, median{}, high{};  ///< of the draws; low and high leave out 0.15 % on either side
  double widest_miss{};  ///< the largest difference of a draw between linear budget and solved network
};

/// One variable's effect: half-width in the channel's unit, by corner.
struct Contribution {
  Variable variable;
  std::array<std::vector<double>, kCalibrations> half_width;
};

struct Budget {
  std::vector<SetPoint> set_points;
  std::size_t main{};
  std::vector<double> temperatures_degc;
  std::vector<Corner> corners;  ///< set points by temperatures
  std::array<std::vector<CornerResult>, kCalibrations> results;
  std::vector<Contribution> contributions;
  std::array<double, kCalibrations> yield_frac{};  ///< boards that hold the demand in every corner
  std::vector<std::string> unpromised;
  [[nodiscard]] bool holds(Calibration calibration) const {
    constexpr double kEnough = 0.997;
    return yield_frac[static_cast<std::size_t>(calibration)] >= kEnough;
  }
};

/// Reads codes as the recommended 32-bit line in thousandths of the unit does (a thermistor: as the law of its parts).
[[nodiscard]] Budget budget_of(const profile::BoardProfile& board, const BudgetOptions& options);
/// The same in words. Throws base::BadInput as transfer() does.
[[nodiscard]] Account account_of(const Budget& budget, const profile::BoardProfile& board,
                                 const BudgetOptions& options);

/// What an error may be at a set point: a share of the reading, or for a current of the largest set point.
[[nodiscard]] double allowed(const profile::SenseChannel& channel, const BudgetOptions& options,
                             const std::vector<SetPoint>& points, double at);

}  // namespace dawnrig::metering
