// The statistics of a few pairs: how well a chain explains them, given what the makers promise.
// Room: harness/metering. May use what this room uses.
#pragma once

#include <vector>

#include "harness/metering/calibration.h"
#include "harness/metering/errors.h"

namespace dawnrig::metering {

/// Gaussian elimination with pivoting; for a few dozen unknowns. `matrix` is row by row.
struct Solved {
  std::vector<double> x;
  double log_determinant{};
};
[[nodiscard]] Solved solve(std::vector<std::vector<double>> matrix, std::vector<double> right);
[[nodiscard]] std::vector<double> solved(std::vector<std::vector<double>> matrix, std::vector<double> right);
/// What 99 % of chi-squared with so many degrees of freedom stays below (Wilson and Hilferty, 1931).
[[nodiscard]] double chi_squared_99(std::size_t degrees);

class Evidence {
 public:
  Evidence(const Uncertain& parts, const Conversion& conversion, const std::vector<Pair>& pairs, double meter_frac);
  [[nodiscard]] double reading(const Chain& chain, double sensed, double board_degc) const;
  /// What is left of the pairs when that chain is taken for the board, as chi-squared.
  [[nodiscard]] double misfit(const Chain& chain) const;
  /// What is left when the makers' promises are reckoned around that chain, whose parts sway it otherwise; and how much
  /// less a chain says that scatters more (the logarithm of the determinants' ratio).
  struct Own {
    double misfit{}, vagueness{};
    [[nodiscard]] double sum() const { return misfit + vagueness; }
  };
  [[nodiscard]] Own own(const Chain& chain) const;
  [[nodiscard]] double half_width(std::size_t pair) const;
  /// A sound board's error at a corner after correction: what the pairs lead to expect, and twice its deviation.
  [[nodiscard]] Residual residual(const Correction& correction, const Corner& corner, double at) const;

 private:
  using Matrix = std::vector<std::vector<double>>;
  [[nodiscard]] std::vector<double> slopes(const Chain& base, double sensed, double board_degc) const;
  [[nodiscard]] Matrix covariance_of(const Matrix& slopes) const;
  [[nodiscard]] std::vector<double> left_by(const Chain& chain) const;
  const Uncertain& parts_;
  const Conversion& conversion_;
  const std::vector<Pair>& pairs_;
  Matrix slopes_;      // by pair, by variable
  Matrix covariance_;  // of the pairs
  double log_determinant_{};
  std::vector<double> own_;  // half-width of each pair alone: meter, blur, last digit
};

/// Everything that one wrong part, a swap or a wrong temperature could do, sorted.
[[nodiscard]] std::vector<Hypothesis> hypotheses_for(const Uncertain& parts, const profile::SenseChannel& channel,
                                                     const Evidence& evidence, std::size_t pairs);

}  // namespace dawnrig::metering
