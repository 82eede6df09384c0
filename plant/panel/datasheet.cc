#include "plant/panel/datasheet.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <string>

#include "plant/core/range_check.h"
#include "plant/panel/silicon.h"

namespace dawnrig::plant {
namespace {

constexpr double kThermalV = kBoltzmannEvPerK * kReferenceK;  // k T / q
constexpr double kLowestIdeality = 0.7;
constexpr double kHighestIdeality = 2.0;
constexpr double kLeastShuntS = 1e-9;  // the largest shunt that PanelParams takes
constexpr double kMostTempcoMiss = 1.0 / 3.0;

std::string rounded(double value) {
  std::array<char, 32> text{};
  const int n = std::snprintf(text.data(), text.size(), "%.4g", value);
  return {text.data(), static_cast<std::size_t>(n)};
}

struct Candidate {
  double a_v{}, series_ohm{};
  double light_a{}, saturation_a{}, shunt_s{};
  double slope_miss{};  // Imp - g (Vmp - Imp Rs), which is zero where the power is stationary
};

// The curve through the three points for a given a and Rs. Its saturation current is scaled by exp(Voc/a) in between,
// so that nothing overflows.
Candidate through_points(const DatasheetParams& d, double a_v, double series_ohm) {
  const double peak_junction_v = d.peak_v + d.peak_a * series_ohm;
  const double short_junction_v = d.short_circuit_a * series_ohm;
  const double e_none = std::exp(-d.open_circuit_v / a_v);
  const double e_short = std::exp((short_junction_v - d.open_circuit_v) / a_v);
  const double e_peak = std::exp((peak_junction_v - d.open_circuit_v) / a_v);
  const double det =
      (1.0 - e_short) * (d.open_circuit_v - peak_junction_v) - (1.0 - e_peak) * (d.open_circuit_v - short_junction_v);
  const double scaled_a =
      (d.short_circuit_a * (d.open_circuit_v - peak_junction_v) - d.peak_a * (d.open_circuit_v - short_junction_v)) /
      det;
  Candidate c;
  c.a_v = a_v;
  c.series_ohm = series_ohm;
  c.shunt_s = ((1.0 - e_short) * d.peak_a - (1.0 - e_peak) * d.short_circuit_a) / det;
  c.saturation_a = scaled_a * e_none;
  c.light_a = scaled_a * (1.0 - e_none) + c.shunt_s * d.open_circuit_v;
  c.slope_miss = d.peak_a - (scaled_a * e_peak / a_v + c.shunt_s) * (d.peak_v - d.peak_a * series_ohm);
  return c;
}

bool is_physical(const Candidate& c) {
  return c.saturation_a > 0.0 && c.shunt_s >= kLeastShuntS && c.light_a > 0.0 && std::isfinite(c.light_a);
}

// With the power stationary at its peak; nullopt where no Rs does that with a shunt that conducts forward.
std::optional<Candidate> stationary(const DatasheetParams& d, double a_v) {
  constexpr int kSteps = 64;
  constexpr int kHalvings = 60;
  const double most_ohm = std::min((d.open_circuit_v - d.peak_v) / d.peak_a, d.peak_v / d.peak_a);
  double from_ohm = 0.0;
  double from_miss = through_points(d, a_v, 0.0).slope_miss;
  for (int i = 1; i < kSteps; ++i) {
    double to_ohm = most_ohm * i / kSteps;
    const double to_miss = through_points(d, a_v, to_ohm).slope_miss;
    if ((from_miss < 0.0) != (to_miss < 0.0)) {
      double low_ohm = from_ohm;
      for (int k = 0; k < kHalvings; ++k) {
        const double middle_ohm = 0.5 * (low_ohm + to_ohm);
        const bool same = (through_points(d, a_v, middle_ohm).slope_miss < 0.0) == (from_miss < 0.0);
        (same ? low_ohm : to_ohm) = middle_ohm;
      }
      const Candidate found = through_points(d, a_v, low_ohm);
      if (is_physical(found)) return found;
      to_ohm = most_ohm * i / kSteps;
    }
    from_ohm = to_ohm;
    from_miss = to_miss;
  }
  return std::nullopt;
}

PanelParams params_of(const DatasheetParams& d, const Candidate& c) {
  PanelParams p;
  p.light_current_a = c.light_a;
  p.saturation_current_a = c.saturation_a;
  p.modified_ideality_v = c.a_v;
  p.series_resistance_ohm = c.series_ohm;
  p.shunt_resistance_ohm = 1.0 / c.shunt_s;
  p.short_circuit_tempco_a_per_k = d.short_circuit_tempco_a_per_k;
  return p;
}

constexpr double kNoCableOhm = 1e-12;

double open_circuit_tempco_v_per_k(const PanelParams& params) {
  constexpr double kAsideK = 0.5;
  const SingleDiodePanel panel{params, kNoCableOhm};
  return (panel.open_circuit_v(1000.0, 25.0 + kAsideK) - panel.open_circuit_v(1000.0, 25.0 - kAsideK)) /
         (2.0 * kAsideK);
}

double tempco_miss(const DatasheetParams& d, const Candidate& c) {
  return open_circuit_tempco_v_per_k(params_of(d, c)) - d.open_circuit_tempco_v_per_k;
}

// Between two values of a, at one of which `wanted` holds: the border, on the side where it holds.
template <class Wanted>
double border_v(double holds_v, double fails_v, Wanted wanted) {
  constexpr int kHalvings = 50;
  for (int i = 0; i < kHalvings; ++i) {
    const double middle_v = 0.5 * (holds_v + fails_v);
    (wanted(middle_v) ? holds_v : fails_v) = middle_v;
  }
  return holds_v;
}

// The curve of the ideality that gives the temperature coefficient, or comes nearest.
std::optional<Candidate> best(const DatasheetParams& d) {
  constexpr int kSteps = 100;
  const double cell_v = d.cells * kThermalV;
  std::optional<Candidate> nearest;
  std::optional<Candidate> last;
  double last_a_v = 0.0;
  const auto consider = [&](const std::optional<Candidate>& c) {
    if (c && (!nearest || std::abs(tempco_miss(d, *c)) < std::abs(tempco_miss(d, *nearest)))) nearest = c;
  };
  for (int i = 0; i <= kSteps; ++i) {
    const double a_v = cell_v * (kLowestIdeality + (kHighestIdeality - kLowestIdeality) * i / kSteps);
    const std::optional<Candidate> here = stationary(d, a_v);
    if (i > 0 && here.has_value() != last.has_value()) {
      const auto exists = [&](double v) { return stationary(d, v).has_value(); };
      consider(stationary(d, here ? border_v(a_v, last_a_v, exists) : border_v(last_a_v, a_v, exists)));
    }
    if (here && last) {
      const bool before = tempco_miss(d, *last) > 0.0;
      if (before != (tempco_miss(d, *here) > 0.0)) {
        consider(stationary(d, border_v(last_a_v, a_v, [&](double v) {
                              const auto c = stationary(d, v);
                              return c && (tempco_miss(d, *c) > 0.0) == before;
                            })));
      }
    }
    consider(here);
    last = here;
    last_a_v = a_v;
  }
  return nearest;
}

// Where the fitted curve's own power peaks: the slope of P = V I falls through zero.
double peak_v(const SingleDiodePanel& panel, double open_v) {
  PanelScratch scratch;
  double low_v = 0.0;
  double high_v = open_v;
  for (int i = 0; i < 100; ++i) {
    const double middle_v = 0.5 * (low_v + high_v);
    const PanelPoint p = panel.at(middle_v, 1000.0, 25.0, scratch);
    (p.current_a + middle_v * p.d_voltage > 0.0 ? low_v : high_v) = middle_v;
  }
  return 0.5 * (low_v + high_v);
}

}  // namespace

void DatasheetParams::check(Problems& problems) const {
  if (cells < 1 || cells > 1000) problems.add("cells", "is " + std::to_string(cells) + ", must be from 1 to 1000");
  check_range(problems, "short_circuit_a", short_circuit_a, {1e-3, 1000.0});
  check_range(problems, "open_circuit_v", open_circuit_v, {0.1, 1000.0});
  check_range(problems, "peak_a", peak_a, {1e-3, 1000.0});
  check_range(problems, "peak_v", peak_v, {0.1, 1000.0});
  check_range(problems, "short_circuit_tempco_a_per_k", short_circuit_tempco_a_per_k, {-1.0, 1.0});
  check_range(problems, "open_circuit_tempco_v_per_k", open_circuit_tempco_v_per_k, {-10.0, -1e-6});
  if (!problems.empty()) return;
  if (!(peak_a < short_circuit_a)) {
    problems.add("peak_a",
                 "is " + rounded(peak_a) + ", must be below short_circuit_a (" + rounded(short_circuit_a) + ")");
  }
  if (!(peak_v < open_circuit_v)) {
    problems.add("peak_v",
                 "is " + rounded(peak_v) + ", must be below open_circuit_v (" + rounded(open_circuit_v) + ")");
  }
  const double cell_v = open_circuit_v / cells;
  if (!(cell_v >= 0.3 && cell_v <= 1.1)) {
    problems.add("open_circuit_v", "is " + rounded(cell_v) + " V for each of " + std::to_string(cells) +
                                       " cells, must be from 0.3 to 1.1 V; are the cells counted right?");
  }
}

std::optional<DatasheetFit> fit_datasheet(const DatasheetParams& d, Problems& problems) {
  const std::optional<Candidate> found = best(d);
  if (!found) {
    const double fill = d.peak_a * d.peak_v / (d.short_circuit_a * d.open_circuit_v);
    problems.add("peak_v", "with peak_a makes a fill factor of " + rounded(fill) +
                               ", through which no single-diode curve of " + std::to_string(d.cells) +
                               " cells passes between short_circuit_a and open_circuit_v");
    return std::nullopt;
  }
  DatasheetFit fit;
  fit.module = params_of(d, *found);
  fit.emission_coefficient = found->a_v / (d.cells * kThermalV);
  const SingleDiodePanel panel{fit.module, kNoCableOhm};
  PanelScratch scratch;
  const double open_v = panel.open_circuit_v(1000.0, 25.0);
  const double top_v = peak_v(panel, open_v);
  fit.short_circuit_miss_frac = panel.at(0.0, 1000.0, 25.0, scratch).current_a / d.short_circuit_a - 1.0;
  fit.open_circuit_miss_frac = open_v / d.open_circuit_v - 1.0;
  fit.peak_current_miss_frac = panel.at(top_v, 1000.0, 25.0, scratch).current_a / d.peak_a - 1.0;
  fit.peak_voltage_miss_frac = top_v / d.peak_v - 1.0;
  fit.open_circuit_tempco_miss_v_per_k = tempco_miss(d, *found);
  if (std::abs(fit.open_circuit_tempco_miss_v_per_k) > -kMostTempcoMiss * d.open_circuit_tempco_v_per_k) {
    problems.add("open_circuit_tempco_v_per_k",
                 "is " + rounded(d.open_circuit_tempco_v_per_k) + "; the curve that comes nearest moves by " +
                     rounded(open_circuit_tempco_v_per_k(fit.module)) + " V/K, must be within a third");
    return std::nullopt;
  }
  return fit;
}

PanelParams field_of(const PanelParams& module, int series, int strings) {
  PanelParams field = module;
  field.light_current_a *= strings;
  field.saturation_current_a *= strings;
  field.short_circuit_tempco_a_per_k *= strings;
  field.modified_ideality_v *= series;
  field.series_resistance_ohm *= static_cast<double>(series) / strings;
  field.shunt_resistance_ohm *= static_cast<double>(series) / strings;
  return field;
}

}  // namespace dawnrig::plant
