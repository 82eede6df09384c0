// From a few readings beside a meter: what to correct, whether the parts are what they should be, and what is left.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "harness/metering/account.h"
#include "harness/metering/budget.h"

namespace dawnrig::metering {

/// One reading beside a meter, in the channel's unit.
struct Pair {
  double meter{}, reported{}, board_degc{kRoomDegc};
  double resolution{0.001};  ///< of what was reported: its last digit
};

/// "28.80,28.61" or "28.80,28.61,-5": meter, reported, board temperature. Throws base::BadInput, with what is wrong.
[[nodiscard]] Pair pair_of(const std::string& text);
/// A file whose first line names the columns meter_v, reported_v and board_degc (or _a, _degc, as the channel senses),
/// in any order, the last of them optional. Throws base::BadInput with line and column.
[[nodiscard]] std::vector<Pair> read_pairs(const std::filesystem::path& file, const std::string& suffix);

struct CalibrationOptions {
  std::string channel;
  double from_degc{-10}, to_degc{40};
  double meter_frac{0.0005};
};

/// corrected = gain * reported + offset - drift_per_k * (board - 25 °C)
struct Correction {
  double gain{1}, offset{0}, drift_per_k{0};
  [[nodiscard]] double of(double reported, double board_degc) const {
    return gain * reported + offset - drift_per_k * (board_degc - kRoomDegc);
  }
};

/// One thing that could be wrong, as well as it explains the pairs.
struct Hypothesis {
  std::string part;   ///< "r_top_ohm"; "swapped" and "diode_degc" for what is no part
  std::string words;  ///< "the upper resistor (r_top_ohm) is 30 k, not 33 k"
  double needed{};    ///< the value it would have to have
  double misfit{};    ///< chi-squared that is left
  double score{};     ///< how far-fetched: promises' widths from what is labelled; less is likelier
  bool explains{false};
  Chain chain;
};

/// A corner of the set points and temperatures once the correction is applied.
struct Residual {
  Corner corner;
  double expected{}, two_sigma{};
};

struct CalibrationResult {
  std::vector<Pair> pairs;
  std::vector<SetPoint> set_points;
  std::vector<double> expected;    ///< reading of a board whose parts are as labelled
  std::vector<double> half_width;  ///< around it, with every part at its limit
  Correction correction;
  double misfit{}, most_misfit{};  ///< chi-squared of the pairs and what 99 of 100 sound boards stay below
  bool consistent{true};
  std::vector<Hypothesis>
      hypotheses;                   ///< what explains the pairs first, the likeliest of it first; only if inconsistent
  std::vector<Residual> residuals;  ///< of a sound board; or, if inconsistent, of the likeliest fault
  [[nodiscard]] const Hypothesis* likeliest() const {
    return hypotheses.empty() || !hypotheses.front().explains ? nullptr : &hypotheses.front();
  }
};

/// Takes it that the firmware converts as recommended for the board as labelled. Throws base::BadInput for no pairs,
/// for pairs beyond what the channel can see, and as transfer() does.
[[nodiscard]] CalibrationResult calibrate(const profile::BoardProfile& board, const std::vector<Pair>& pairs,
                                          const CalibrationOptions& options);
[[nodiscard]] Account account_of(const CalibrationResult& result, const profile::BoardProfile& board,
                                 const CalibrationOptions& options);

}  // namespace dawnrig::metering
