#include "harness/metering/budget.h"

#include <algorithm>
#include <cmath>

#include "harness/device/noise_source.h"
#include "harness/metering/errors.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

constexpr double kTailFrac = 0.0015;
constexpr double kNoiseWidths = 2;  // what counts as the half-width of a normal draw

bool is_normal(const Variable& variable) {
  return variable.cause == Cause::kNoise;
}

void frame(Budget& budget, const BudgetOptions& options) {
  budget.temperatures_degc = {options.from_degc, options.to_degc};
  if (options.from_degc < kRoomDegc && options.to_degc > kRoomDegc) {
    budget.temperatures_degc = {options.from_degc, kRoomDegc, options.to_degc};
  }
  for (const double degc : budget.temperatures_degc) {
    for (std::size_t i = 0; i < budget.set_points.size(); ++i) budget.corners.push_back({i, degc});
  }
}

CornerErrors empty_errors(std::size_t corners) {
  CornerErrors errors;
  for (std::vector<double>& one : errors) one.assign(corners, 0);
  return errors;
}

/// Every variable alone, from one end of its promise to the other.
void linear(const Errors& errors, const std::vector<Variable>& variables, Budget& budget) {
  std::vector<double> z(variables.size(), 0);
  CornerErrors none = empty_errors(budget.corners.size());
  errors.of(z, none);
  for (std::size_t k = 0; k < kCalibrations; ++k) {
    budget.results[k].assign(budget.corners.size(), {});
    for (std::size_t c = 0; c < budget.corners.size(); ++c) budget.results[k][c].fixed = none[k][c];
  }
  CornerErrors low = none;
  CornerErrors high = none;
  for (std::size_t i = 0; i < variables.size(); ++i) {
    const double width = is_normal(variables[i]) ? kNoiseWidths : 1;
    z[i] = width;
    errors.of(z, high);
    z[i] = -width;
    errors.of(z, low);
    z[i] = 0;
    Contribution contribution{variables[i], empty_errors(budget.corners.size())};
    for (std::size_t k = 0; k < kCalibrations; ++k) {
      for (std::size_t c = 0; c < budget.corners.size(); ++c) {
        const double half = 0.5 * (high[k][c] - low[k][c]);
        contribution.half_width[k][c] = half;
        CornerResult& result = budget.results[k][c];
        result.worst_case += std::fabs(half);
        result.rss += half * half;
        const double deviation = is_normal(variables[i]) ? half / kNoiseWidths : half / std::sqrt(3.0);
        result.linear_sigma += deviation * deviation;
      }
    }
    budget.contributions.push_back(std::move(contribution));
  }
  for (std::vector<CornerResult>& results : budget.results) {
    for (CornerResult& result : results) {
      result.rss = std::sqrt(result.rss);
      result.linear_sigma = std::sqrt(result.linear_sigma);
    }
  }
}

double quantile(std::vector<double>& values, double share) {
  const auto at = static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), values.begin() + at, values.end());
  return values[static_cast<std::size_t>(at)];
}

void summarise(std::vector<double>& values, CornerResult& result) {
  double sum = 0;
  for (const double v : values) sum += v;
  const double mean = sum / static_cast<double>(values.size());
  double squares = 0;
  for (const double v : values) squares += (v - mean) * (v - mean);
  result.sigma = std::sqrt(squares / static_cast<double>(values.size()));
  result.low = quantile(values, kTailFrac);
  result.median = quantile(values, 0.5);
  result.high = quantile(values, 1 - kTailFrac);
}

void draw(const Errors& errors, const std::vector<Variable>& variables, const profile::SenseChannel& channel,
          const BudgetOptions& options, Budget& budget) {
  device::WordSource words{options.seed};
  device::NoiseSource noise{options.seed + 1};
  const std::size_t corners = budget.corners.size();
  const auto draws = static_cast<std::size_t>(options.draws);
  std::vector<std::vector<double>> all(kCalibrations * corners, std::vector<double>(draws));
  std::vector<double> z(variables.size());
  CornerErrors got = empty_errors(corners);
  std::vector<double> limit;
  for (const Corner& corner : budget.corners) {
    limit.push_back(allowed(channel, options, budget.set_points, budget.set_points[corner.set_point].at));
  }
  std::array<std::size_t, kCalibrations> held{};
  for (std::size_t d = 0; d < draws; ++d) {
    for (std::size_t i = 0; i < z.size(); ++i) {
      constexpr double kPerWord = 1.0 / 9007199254740992.0;  // 2^-53
      z[i] = is_normal(variables[i]) ? noise.next() : 2 * (static_cast<double>(words.next() >> 11U) * kPerWord) - 1;
    }
    errors.of(z, got);
    for (std::size_t k = 0; k < kCalibrations; ++k) {
      bool holds = true;
      for (std::size_t c = 0; c < corners; ++c) {
        all[k * corners + c][d] = got[k][c];
        holds = holds && std::fabs(got[k][c]) <= limit[c];
        double expected = budget.results[k][c].fixed;
        for (std::size_t i = 0; i < z.size(); ++i) {
          const double per_z = is_normal(variables[i]) ? 1 / kNoiseWidths : 1;
          expected += budget.contributions[i].half_width[k][c] * z[i] * per_z;
        }
        CornerResult& result = budget.results[k][c];
        result.widest_miss = std::max(result.widest_miss, std::fabs(got[k][c] - expected));
      }
      held[k] += holds ? 1 : 0;
    }
  }
  for (std::size_t k = 0; k < kCalibrations; ++k) {
    budget.yield_frac[k] = static_cast<double>(held[k]) / static_cast<double>(draws);
    for (std::size_t c = 0; c < corners; ++c) summarise(all[k * corners + c], budget.results[k][c]);
  }
}

}  // namespace

double allowed(const profile::SenseChannel& channel, const BudgetOptions& options, const std::vector<SetPoint>& points,
               double at) {
  if (profile::is_temperature(channel.quantity)) return options.demand_k;
  double of = std::fabs(at);
  for (const SetPoint& point : points) {
    if (profile::is_current(channel.quantity)) of = std::max(of, std::fabs(point.at));
  }
  return options.demand_frac * of;
}

Budget budget_of(const profile::BoardProfile& board, const BudgetOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  demand("from-degc", options.from_degc, -60, 150);
  demand("to-degc", options.to_degc, options.from_degc, 150);
  demand("draws", options.draws, 1000, 10000000);
  demand("adc-bits", options.bits, 8, 16);
  demand("meter-frac", options.meter_frac, 0, 0.1);
  demand("demand-frac", options.demand_frac, 1e-6, 1);
  demand("demand-k", options.demand_k, 1e-3, 100);
  const Uncertain parts(board, channel, options.bits);
  Budget budget;
  budget.set_points = set_points(board, channel);
  budget.main = main_set_point(budget.set_points);
  budget.unpromised = parts.unpromised();
  frame(budget, options);
  const Conversion conversion(parts.nominal(), channel, budget.set_points);
  const Errors errors(parts, conversion, channel, budget, options.meter_frac);
  std::vector<Variable> variables = parts.variables();
  variables.push_back({"meter", Cause::kTolerance, 0, options.meter_frac, "used for the calibration"});
  linear(errors, variables, budget);
  draw(errors, variables, channel, options, budget);
  return budget;
}

}  // namespace dawnrig::metering
