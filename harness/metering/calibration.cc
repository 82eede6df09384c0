#include "harness/metering/calibration.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/metering/evidence.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

struct Spread {
  double low{1e300}, high{-1e300};
  void take(double v) {
    low = std::min(low, v);
    high = std::max(high, v);
  }
  [[nodiscard]] double width() const { return high - low; }
};

/// Gain and offset, and a drift with the board's temperature, as far as the pairs can tell them.
Correction corrected(const std::vector<Pair>& pairs, bool by_factor, double apart) {
  constexpr double kApartK = 10;
  Spread meter;
  Spread degc;
  for (const Pair& pair : pairs) {
    meter.take(pair.meter);
    degc.take(pair.board_degc);
  }
  const bool two_points = pairs.size() >= 2 && meter.width() >= apart;
  const bool drift = pairs.size() >= (two_points ? 3U : 2U) && degc.width() >= kApartK;
  // Unknowns: gain (or 1), offset (or 0), drift. Least squares of what the meter said.
  const std::size_t unknowns = (two_points ? 2U : 1U) + (drift ? 1U : 0U);
  std::vector<std::vector<double>> matrix(unknowns, std::vector<double>(unknowns, 0));
  std::vector<double> right(unknowns, 0);
  for (const Pair& pair : pairs) {
    std::vector<double> row;
    if (two_points || by_factor) row.push_back(pair.reported);
    if (two_points || !by_factor) row.push_back(1);
    if (drift) row.push_back(-(pair.board_degc - kRoomDegc));
    const double wanted = pair.meter - (two_points || by_factor ? 0 : pair.reported);
    for (std::size_t a = 0; a < unknowns; ++a) {
      for (std::size_t b = 0; b < unknowns; ++b) matrix[a][b] += row[a] * row[b];
      right[a] += row[a] * wanted;
    }
  }
  const std::vector<double> x = solved(matrix, right);
  Correction correction;
  if (two_points) {
    correction.gain = x[0];
    correction.offset = x[1];
  } else {
    (by_factor ? correction.gain : correction.offset) = x[0];
  }
  if (drift) correction.drift_per_k = x.back();
  return correction;
}

std::vector<Corner> corners_of(const std::vector<SetPoint>& points, const CalibrationOptions& options) {
  std::vector<Corner> corners;
  for (const double degc : {options.from_degc, kRoomDegc, options.to_degc}) {
    for (std::size_t i = 0; i < points.size(); ++i) corners.push_back({i, degc});
  }
  return corners;
}

}  // namespace

CalibrationResult calibrate(const profile::BoardProfile& board, const std::vector<Pair>& pairs,
                            const CalibrationOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  demand("from-degc", options.from_degc, -60, 150);
  demand("to-degc", options.to_degc, options.from_degc, 150);
  demand("meter-frac", options.meter_frac, 0, 0.1);
  if (pairs.empty()) throw base::BadInput("--pair", "is missing: give at least one, as meter,reported,board_degc");
  if (pairs.size() > 64) throw base::BadInput("--pairs", "has more than 64 lines");
  const Uncertain parts(board, channel, 10);
  CalibrationResult result;
  result.pairs = pairs;
  result.set_points = set_points(board, channel);
  const Conversion conversion(parts.nominal(), channel, result.set_points);
  const Words words = words_for(channel.quantity);
  for (const Pair& pair : pairs) {
    const double at = position_lsb(parts.nominal(), pair.meter, pair.board_degc);
    if (at < 0.5 || at > parts.nominal().codes() - 0.5) {
      throw base::BadInput("--pair", "has a meter reading of " + base::number_text(pair.meter) + " " + words.unit +
                                         ", which this channel cannot see");
    }
  }
  const Evidence evidence(parts, conversion, result.pairs, options.meter_frac);
  const std::vector<double> none(parts.variables().size(), 0);
  bool within = true;
  for (std::size_t k = 0; k < pairs.size(); ++k) {
    const Chain labelled = parts.at(none, pairs[k].board_degc);
    result.expected.push_back(evidence.reading(labelled, pairs[k].meter, pairs[k].board_degc));
    result.half_width.push_back(evidence.half_width(k));
    within = within && std::fabs(pairs[k].reported - result.expected[k]) <= result.half_width[k];
  }
  const double apart = 0.05 * std::fabs(result.set_points.back().at);
  result.correction =
      corrected(pairs, std::holds_alternative<plant::DividerParams>(channel.network.network), std::max(apart, 0.05));
  result.misfit = evidence.misfit(parts.nominal());
  result.most_misfit = chi_squared_99(pairs.size());
  result.consistent = within && result.misfit <= result.most_misfit;
  if (!result.consistent) result.hypotheses = hypotheses_for(parts, channel, evidence, pairs.size());
  for (const Corner& corner : corners_of(result.set_points, options)) {
    const double at = result.set_points[corner.set_point].at;
    Residual residual = evidence.residual(result.correction, corner, at);
    if (const Hypothesis* fault = result.likeliest()) {
      residual.expected =
          result.correction.of(evidence.reading(fault->chain, at, corner.board_degc), corner.board_degc) - at;
    }
    result.residuals.push_back(residual);
  }
  return result;
}

}  // namespace dawnrig::metering
