#include "harness/metering/arithmetic.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace dawnrig::metering {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

bool needs_bisection(const Chain& chain) {
  const auto* offset = std::get_if<plant::OffsetDividerParams>(&chain.network.network);
  return std::holds_alternative<plant::ThermistorInputParams>(chain.network.network) ||
         (offset != nullptr && offset->diode_leak_a > 0);
}

int accumulator_bits(int width_bits) {
  return width_bits == 8 ? 16 : width_bits;
}

/// A few hundred of the sums that matter, for looking; judging takes all of them.
struct Sample {
  std::vector<double> operand, wanted;
};

struct Spread {
  double low{kInfinity}, high{-kInfinity};
  [[nodiscard]] double width() const { return high - low; }
  [[nodiscard]] double middle() const { return 0.5 * (low + high); }
};

Spread residual(const Sample& sample, double slope) {
  Spread spread;
  for (std::size_t i = 0; i < sample.operand.size(); ++i) {
    const double left = sample.wanted[i] - slope * sample.operand[i];
    spread.low = std::min(spread.low, left);
    spread.high = std::max(spread.high, left);
  }
  return spread;
}

Sample sample_of(const Line& line, const std::vector<double>& ideal, const Reach& reach) {
  constexpr std::uint32_t kMost = 512;
  const std::uint32_t stride = std::max(1U, (reach.last - reach.first) / kMost);
  Sample sample;
  const auto take = [&](std::uint32_t sum) {
    if (!std::isfinite(ideal[sum])) return;
    sample.operand.push_back(line.operand(sum));
    sample.wanted.push_back(ideal[sum]);
  };
  for (std::uint32_t sum = reach.first; sum < reach.last; sum += stride) take(sum);
  take(reach.last);
  return sample;
}

double worst_within(const Line& line, const std::vector<double>& ideal, const Reach& reach) {
  double worst = 0;
  for (std::uint32_t sum = reach.first; sum <= reach.last; ++sum) {
    if (std::isfinite(ideal[sum])) {
      worst = std::max(worst, std::fabs(static_cast<double>(line.counts_at(sum)) - ideal[sum]));
    }
  }
  return worst;
}

/// Offset and base for a multiplier: the middle of what is left, and half a count since the shift rounds down.
bool settle(Line& line, const Sample& sample) {
  const double unit = std::exp2(line.shift);
  const double middle = residual(sample, line.multiply / unit).middle() + 0.5;
  const double room = std::exp2(accumulator_bits(line.width_bits)) - 1;
  const double most = static_cast<double>(line.operand(line.falling ? 0 : line.largest_sum)) * line.multiply;
  double offset = std::round(middle * unit);
  line.base = 0;
  if (offset < 0 || most + offset > room) {
    line.base = static_cast<std::int32_t>(std::floor(middle));
    offset = std::round((middle - line.base) * unit);
  }
  if (offset < 0 || most + offset > room) return false;
  line.offset = static_cast<std::uint32_t>(offset);
  return true;
}

/// The whole multiplier with the narrowest residual: a convex function of it, so halving the interval finds the bottom.
std::uint32_t best_multiplier(const Sample& sample, double slope, double unit, double most) {
  const auto width = [&](double multiply) { return residual(sample, multiply / unit).width(); };
  double low = std::clamp(std::floor(0.95 * slope * unit) - 1, 1.0, most);
  double high = std::clamp(std::ceil(1.05 * slope * unit) + 1, low, most);
  while (high - low > 2) {
    const double middle = std::floor(0.5 * (low + high));
    (width(middle) <= width(middle + 1) ? high : low) = middle + (width(middle) <= width(middle + 1) ? 0 : 1);
  }
  double best = low;
  for (const double m : {low + 1, high}) {
    if (m <= high && width(m) < width(best)) best = m;
  }
  return static_cast<std::uint32_t>(best);
}

struct Candidate {
  Line line;
  double worst{kInfinity};
};

void consider(Line line, const std::vector<double>& ideal, const Reach& reach, std::vector<Candidate>& found) {
  const std::uint32_t largest = line.operand(line.falling ? 0 : line.largest_sum);
  if (largest < 2 || (line.width_bits == 8 && largest > 255)) return;
  const Sample sample = sample_of(line, ideal, reach);
  if (sample.operand.size() < 2 || sample.operand.front() == sample.operand.back()) return;
  const double slope =
      (sample.wanted.back() - sample.wanted.front()) / (sample.operand.back() - sample.operand.front());
  if (!(slope > 0)) return;
  const int accumulator = accumulator_bits(line.width_bits);
  for (line.shift = 0; line.shift < accumulator; ++line.shift) {
    const double unit = std::exp2(line.shift);
    const double most = line.width_bits == 8 ? 255 : std::floor((std::exp2(accumulator) - 1) / largest);
    if (slope * unit < 0.5 || slope * unit > most + 0.5) continue;
    line.multiply = best_multiplier(sample, slope, unit, most);
    if (settle(line, sample)) found.push_back({line, worst_within(line, ideal, reach)});
  }
}

/// Shifts by whole bytes cost next to nothing on an 8-bit processor, others a loop.
int shift_cost(const Line& line) {
  const auto loop = [](int shift) { return shift % 8 == 0 ? 0 : shift; };
  return loop(line.shift) + loop(line.dropped) + (line.base != 0 ? 1 : 0);
}

}  // namespace

double Line::mean_at(double position_lsb) const {
  double x = (position_lsb - 0.5) * samples;
  if (falling) x = largest_sum - x;
  const double step = std::exp2(-dropped);
  const double mean_operand = x * step - 0.5 * (1 - step);
  return count * ((mean_operand * multiply + offset) * std::exp2(-shift) - 0.5 + base);
}

std::vector<double> ideal_counts(const Demand& demand) {
  const std::uint32_t largest = demand.largest_sum();
  const double n = demand.samples;
  const auto at = [&](double sum) { return sensed_at(demand.chain, (sum + 0.5 * n) / n, kRoomDegc) / demand.count; };
  std::vector<double> ideal(largest + 1U);
  // A network without a closed form is solved four times a code, and straight in between.
  const std::uint32_t stride =
      needs_bisection(demand.chain) && demand.samples > 4 ? static_cast<std::uint32_t>(demand.samples) / 4U : 1U;
  double before = at(0);
  ideal[0] = before;
  for (std::uint32_t from = 0; from < largest; from += stride) {
    const std::uint32_t to = std::min(from + stride, largest);
    const double after = at(to);
    for (std::uint32_t sum = from + 1; sum <= to; ++sum) {
      ideal[sum] = before + (after - before) * (sum - from) / (to - from);
    }
    before = after;
  }
  return ideal;
}

Reach reach_of(const Demand& demand) {
  const auto sum_for = [&](double sensed) {
    const double sum = (position_lsb(demand.chain, sensed, kRoomDegc) - 0.5) * demand.samples;
    return static_cast<std::uint32_t>(std::clamp(std::round(sum), 0.0, static_cast<double>(demand.largest_sum())));
  };
  const std::uint32_t a = sum_for(demand.lowest);
  const std::uint32_t b = sum_for(demand.highest);
  return {std::min(a, b), std::max(a, b)};
}

std::string result_type(const Proof& proof) {
  const bool is_signed = proof.lowest_counts < 0;
  for (const int bits : {8, 16}) {
    const std::int64_t most = (std::int64_t{1} << (is_signed ? bits - 1 : bits)) - 1;
    const std::int64_t least = is_signed ? -most - 1 : 0;
    if (proof.lowest_counts >= least && proof.highest_counts <= most) {
      return (is_signed ? "int" : "uint") + std::to_string(bits) + "_t";
    }
  }
  return is_signed ? "int32_t" : "uint32_t";
}

Proof prove(const Line& line, const std::vector<double>& ideal, const Reach& reach) {
  Proof proof;
  proof.lowest_counts = proof.highest_counts = line.counts_at(0);
  const std::uint64_t room = (std::uint64_t{1} << static_cast<unsigned>(accumulator_bits(line.width_bits))) - 1U;
  std::int64_t before = proof.lowest_counts;
  for (std::uint32_t sum = 0; sum <= line.largest_sum; ++sum) {
    ++proof.sums;
    const std::uint64_t accumulated = line.before_shift(sum);
    const std::int64_t counts = line.counts_at(sum);
    proof.largest = std::max(proof.largest, accumulated);
    const bool too_large = accumulated > room || counts > std::numeric_limits<std::int32_t>::max() ||
                           (line.width_bits == 8 && (line.operand(sum) > 255 || line.multiply > 255));
    if (too_large && !proof.first_overflow) proof.first_overflow = sum;
    if ((line.falling ? counts > before : counts < before) && !proof.first_fall) proof.first_fall = sum;
    before = counts;
    proof.lowest_counts = std::min(proof.lowest_counts, counts);
    proof.highest_counts = std::max(proof.highest_counts, counts);
    if (!std::isfinite(ideal[sum])) continue;
    const double error = static_cast<double>(counts) - ideal[sum];
    if (std::fabs(error) > std::fabs(proof.worst_anywhere)) {
      proof.worst_anywhere = error;
      proof.worst_anywhere_at = sum;
    }
    if (sum >= reach.first && sum <= reach.last && std::fabs(error) > std::fabs(proof.worst_within)) {
      proof.worst_within = error;
      proof.worst_within_at = sum;
    }
  }
  return proof;
}

std::optional<Line> best_line(const Demand& demand, const std::vector<double>& ideal, int width_bits) {
  const Reach reach = reach_of(demand);
  Line line;
  line.width_bits = width_bits;
  line.largest_sum = demand.largest_sum();
  line.samples = demand.samples;
  line.count = demand.count;
  line.falling = ideal[reach.last] < ideal[reach.first];
  std::vector<Candidate> found;
  const int most_dropped = width_bits == 32 ? 0 : 16;
  for (line.dropped = 0; line.dropped <= most_dropped; ++line.dropped) consider(line, ideal, reach, found);
  double least = kInfinity;
  for (const Candidate& one : found) least = std::min(least, one.worst);
  const Candidate* chosen = nullptr;
  for (const Candidate& one : found) {
    if (one.worst > 1.05 * least + 0.01) continue;
    if (chosen == nullptr || shift_cost(one.line) < shift_cost(chosen->line)) chosen = &one;
  }
  if (chosen == nullptr) return std::nullopt;
  return chosen->line;
}

}  // namespace dawnrig::metering
