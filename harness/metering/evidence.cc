#include "harness/metering/evidence.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace dawnrig::metering {
namespace {

constexpr double kVarianceOfEven = 1.0 / 3;  // of a draw between -1 and 1

double dot(const std::vector<double>& a, const std::vector<double>& b) {
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i) sum += a[i] * b[i];
  return sum;
}

bool is_blur(const Variable& variable) {
  return variable.cause == Cause::kQuantisation || variable.cause == Cause::kNoise;
}

}  // namespace

Solved solve(std::vector<std::vector<double>> matrix, std::vector<double> right) {
  const std::size_t n = right.size();
  Solved result;
  for (std::size_t c = 0; c < n; ++c) {
    std::size_t pivot = c;
    for (std::size_t r = c + 1; r < n; ++r) {
      if (std::fabs(matrix[r][c]) > std::fabs(matrix[pivot][c])) pivot = r;
    }
    std::swap(matrix[c], matrix[pivot]);
    std::swap(right[c], right[pivot]);
    result.log_determinant += std::log(std::fabs(matrix[c][c]));
    for (std::size_t r = c + 1; r < n; ++r) {
      const double factor = matrix[r][c] / matrix[c][c];
      for (std::size_t k = c; k < n; ++k) matrix[r][k] -= factor * matrix[c][k];
      right[r] -= factor * right[c];
    }
  }
  for (std::size_t c = n; c-- > 0;) {
    for (std::size_t k = c + 1; k < n; ++k) right[c] -= matrix[c][k] * right[k];
    right[c] /= matrix[c][c];
  }
  result.x = std::move(right);
  return result;
}

std::vector<double> solved(std::vector<std::vector<double>> matrix, std::vector<double> right) {
  return solve(std::move(matrix), std::move(right)).x;
}

double chi_squared_99(std::size_t degrees) {
  const auto n = static_cast<double>(std::max<std::size_t>(1, degrees));
  constexpr double kNormal99 = 2.3263478740408408;
  const double root = 1 - 2 / (9 * n) + kNormal99 * std::sqrt(2 / (9 * n));
  return n * root * root * root;
}

Evidence::Evidence(const Uncertain& parts, const Conversion& conversion, const std::vector<Pair>& pairs,
                   double meter_frac)
    : parts_{parts}, conversion_{conversion}, pairs_{pairs} {
  for (const Pair& pair : pairs) {
    slopes_.push_back(slopes(parts.nominal(), pair.meter, pair.board_degc));
    const double at = position_lsb(parts.nominal(), pair.meter, pair.board_degc);
    const double step = std::fabs(conversion.at(at + 0.5) - conversion.at(at - 0.5));
    double blur = 0;
    for (const Variable& variable : parts.variables()) {
      if (is_blur(variable)) blur = std::hypot(blur, step * variable.half_width);
    }
    own_.push_back(std::hypot(std::hypot(meter_frac * pair.meter, blur), 0.5 * pair.resolution));
  }
  covariance_ = covariance_of(slopes_);
  log_determinant_ = solve(covariance_, std::vector<double>(pairs.size(), 0)).log_determinant;
}

Evidence::Matrix Evidence::covariance_of(const Matrix& slopes) const {
  const std::size_t n = slopes.size();
  Matrix covariance(n, std::vector<double>(n, 0));
  for (std::size_t a = 0; a < n; ++a) {
    for (std::size_t b = 0; b < n; ++b) covariance[a][b] = kVarianceOfEven * dot(slopes[a], slopes[b]);
    covariance[a][a] += kVarianceOfEven * own_[a] * own_[a] + 1e-18;
  }
  return covariance;
}

double Evidence::reading(const Chain& chain, double sensed, double board_degc) const {
  const double at = position_lsb(chain, sensed, board_degc);
  return conversion_.at(std::clamp(at, 0.5, chain.codes() - 0.5));
}

std::vector<double> Evidence::slopes(const Chain& base, double sensed, double board_degc) const {
  std::vector<double> z(parts_.variables().size(), 0);
  std::vector<double> out(z.size(), 0);
  for (std::size_t i = 0; i < z.size(); ++i) {
    if (is_blur(parts_.variables()[i])) continue;
    z[i] = 1;
    const double high = reading(parts_.at(base, z, board_degc), sensed, board_degc);
    z[i] = -1;
    const double low = reading(parts_.at(base, z, board_degc), sensed, board_degc);
    z[i] = 0;
    out[i] = 0.5 * (high - low);
  }
  return out;
}

std::vector<double> Evidence::left_by(const Chain& chain) const {
  std::vector<double> left;
  for (const Pair& pair : pairs_) {
    left.push_back(pair.reported - reading(chain, pair.meter, pair.board_degc));
  }
  return left;
}

double Evidence::misfit(const Chain& chain) const {
  const std::vector<double> left = left_by(chain);
  return dot(left, solved(covariance_, left));
}

Evidence::Own Evidence::own(const Chain& chain) const {
  Matrix around;
  for (const Pair& pair : pairs_) around.push_back(slopes(chain, pair.meter, pair.board_degc));
  const std::vector<double> left = left_by(chain);
  const Solved found = solve(covariance_of(around), left);
  return {dot(left, found.x), found.log_determinant - log_determinant_};
}

double Evidence::half_width(std::size_t pair) const {
  double sum = own_[pair];
  for (const double slope : slopes_[pair]) sum += std::fabs(slope);
  return sum;
}

Residual Evidence::residual(const Correction& correction, const Corner& corner, double at) const {
  const std::vector<double> here = slopes(parts_.nominal(), at, corner.board_degc);
  const Chain nominal = parts_.at(std::vector<double>(parts_.variables().size(), 0), corner.board_degc);
  std::vector<double> left;
  std::vector<double> with_pairs;
  for (std::size_t k = 0; k < pairs_.size(); ++k) {
    const Chain as_labelled = parts_.at(std::vector<double>(here.size(), 0), pairs_[k].board_degc);
    left.push_back(pairs_[k].reported - reading(as_labelled, pairs_[k].meter, pairs_[k].board_degc));
    with_pairs.push_back(kVarianceOfEven * dot(here, slopes_[k]));
  }
  const std::vector<double> weights = solved(covariance_, with_pairs);
  const double expected = reading(nominal, at, corner.board_degc) + dot(weights, left);
  const double variance = kVarianceOfEven * dot(here, here) - dot(weights, with_pairs);
  return {corner, correction.of(expected, corner.board_degc) - at,
          2 * correction.gain * std::sqrt(std::max(0.0, variance))};
}

}  // namespace dawnrig::metering
