#include "plant/panel/array.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "plant/core/range_check.h"
#include "plant/panel/silicon.h"

namespace dawnrig::plant {
namespace {

constexpr double kBarrierEv = 0.69;
constexpr double kBarrierPower = 2.0;
constexpr int kMostIterations = 200;
constexpr double kNear = 1e-8;
constexpr double kRounding = 4e-16;

// exp(x), straight on from a reach that no real circuit comes to, so that no start overflows.
struct Exponential {
  double value{}, slope{};
};
Exponential bounded_exp(double x) {
  constexpr double kReach = 80.0;
  if (x <= kReach) {
    const double e = std::exp(x);
    return {e, e};
  }
  const double e = std::exp(kReach);
  return {e * (1.0 + (x - kReach)), e};
}

struct Falling {
  double value, slope;
};

// The root of a function that falls, by Newton's method between bounds, by bisection where that leaves them or is slow.
// `at(x)` gives {value, slope}; low and high need not enclose the root yet.
template <class At>
double falling_root(double guess, double reach, At at) {
  double low = guess;
  double high = guess;
  double step = reach;
  double x = guess;
  auto here = at(x);
  if (here.value > 0.0) {
    while (here.value > 0.0 && step < 1e12 * reach) {
      low = x;
      // Newton may already enclose it; a step at least, so that it does.
      x += std::clamp(-here.value / here.slope * 1.5, step, 1e3 * step);
      step *= 2.0;
      here = at(x);
    }
    high = x;
  } else {
    while (here.value < 0.0 && step < 1e12 * reach) {
      high = x;
      x -= std::clamp(here.value / here.slope * 1.5, step, 1e3 * step);
      step *= 2.0;
      here = at(x);
    }
    low = x;
  }
  double last_width = high - low;
  for (int i = 0; i < kMostIterations; ++i) {
    const double scale = 1.0 + std::abs(x);
    if (here.value == 0.0 || high - low <= kRounding * scale) return x;
    const double newton = x - here.value / here.slope;
    const bool inside = newton > low && newton < high;
    // Three steps that do not halve the enclosure are slow.
    bool slow = false;
    if (i % 3 == 2) {
      slow = high - low > 0.5 * last_width;
      last_width = high - low;
    }
    const double next = inside && !slow ? newton : 0.5 * (low + high);
    const bool settled = inside && std::abs(newton - x) <= kNear * scale;
    x = settled ? newton : next;
    here = at(x);
    if (settled) return x - here.value / here.slope;  // as near as rounding allows, since the miss is squared
    (here.value > 0.0 ? low : high) = x;
  }
  return x;
}

}  // namespace

struct ArrayPanel::Weather {
  double sun_frac{}, light_per_sun_a{}, light_d_degc{};
  double a_v{}, saturation_a{}, saturation_per_k{};
  double bypass_a_v{}, bypass_a{}, bypass_per_k{};
  double per_k{};
};

// A value, and what it depends on: a voltage over current, or a current over voltage.
struct ArrayPanel::Answer {
  double value{};
  double d_across{};
  double d_degc{}, d_poa{};
};

struct ArrayPanel::Group {
  double light_frac;
  int count;
};

struct ArrayPanel::StringLight {
  std::array<Group, kMaxSubstrings> groups;
  std::size_t count{0};
  [[nodiscard]] bool same_as(const StringLight& other) const {
    return count == other.count && std::equal(groups.begin(), groups.begin() + static_cast<std::ptrdiff_t>(count),
                                              other.groups.begin(), [](const Group& a, const Group& b) {
                                                return a.light_frac == b.light_frac && a.count == b.count;
                                              });
  }
};

void BypassDiode::check(Problems& problems) const {
  check_range(problems, "forward_v", forward_v, {0.05, 2.0});
  check_range(problems, "forward_a", forward_a, {0.01, 1000.0});
  check_range(problems, "emission_coefficient", emission_coefficient, {0.8, 3.0});
}

void ArrayParams::check(Problems& problems) const {
  const auto part = [&](const char* name, const auto& params) {
    Problems own;
    params.check(own);
    add_under(problems, name, own);
  };
  part("substring", substring);
  part("bypass", bypass);
  const auto most = [](std::size_t count) { return ", must be from 1 to " + std::to_string(count); };
  if (strings < 1 || strings > static_cast<int>(kMaxStrings)) {
    problems.add("strings", "is " + std::to_string(strings) + most(kMaxStrings));
  } else if (series < 1 || series > static_cast<int>(kMaxSubstrings) / strings) {
    problems.add("series", "is " + std::to_string(series) + most(kMaxSubstrings / static_cast<std::size_t>(strings)) +
                               " sub-strings in each of " + std::to_string(strings) + " strings");
  }
}

ArrayPanel::ArrayPanel(const ArrayParams& checked, double cable_ohm)
    : p_{checked}, cable_ohm_{cable_ohm}, warming_k_per_wpm2_{(checked.substring.noct_degc - 20.0) / 800.0} {
  const double a_v = checked.bypass.emission_coefficient * kBoltzmannEvPerK * kReferenceK;
  log_bypass_ref_ = std::log(checked.bypass.forward_a) - std::log(std::expm1(checked.bypass.forward_v / a_v));
}

ArrayPanel::Weather ArrayPanel::weather(double poa_wpm2, double cell_degc) const {
  Weather w;
  const PanelParams& s = p_.substring;
  const double kelvin = cell_degc + 273.15;
  const double ratio = kelvin / kReferenceK;
  w.per_k = 1.0 / kelvin;
  w.sun_frac = (poa_wpm2 > 0.0 ? poa_wpm2 : 0.0) / kReferenceWpm2;
  w.light_per_sun_a = s.light_current_a + s.short_circuit_tempco_a_per_k * (kelvin - kReferenceK);
  w.a_v = s.modified_ideality_v * ratio;
  w.saturation_a =
      s.saturation_current_a * ratio * ratio * ratio * std::exp(kActivationK * (1.0 / kReferenceK - w.per_k));
  w.saturation_per_k = w.saturation_a * w.per_k * (3.0 + kActivationK * w.per_k);
  const double n = p_.bypass.emission_coefficient;
  const double barrier_k = kBarrierEv / (n * kBoltzmannEvPerK);
  w.bypass_a_v = n * kBoltzmannEvPerK * kelvin;
  w.bypass_a =
      std::exp(log_bypass_ref_ + kBarrierPower / n * std::log(ratio) + barrier_k * (1.0 / kReferenceK - w.per_k));
  w.bypass_per_k = w.bypass_a * w.per_k * (kBarrierPower / n + barrier_k * w.per_k);
  return w;
}

ArrayPanel::StringLight ArrayPanel::light_of(std::size_t string, const PanelShade* shade) const {
  StringLight light;
  const auto series = static_cast<std::size_t>(p_.series);
  if (shade == nullptr) {
    light.groups[0] = {1.0, p_.series};
    light.count = 1;
    return light;
  }
  for (std::size_t k = 0; k < series; ++k) {
    const double light_frac = shade->light_frac[string * series + k];
    auto* const end = light.groups.data() + light.count;
    auto* const place = std::lower_bound(light.groups.data(), end, light_frac,
                                         [](const Group& g, double f) { return g.light_frac < f; });
    if (place != end && place->light_frac == light_frac) {
      ++place->count;
      continue;
    }
    std::move_backward(place, end, end + 1);
    *place = {light_frac, 1};
    ++light.count;
  }
  return light;
}

// What a sub-string does at the voltage vd of its junctions, in which cells and diode are explicit.
struct ArrayPanel::Look {
  double value{}, slope{};          // current of cells and diode together, less what was asked for, over vd
  double cells_a{}, cells_slope{};  // of the cells alone
  double vd{}, v{};
  Exponential cell, diode;
};

ArrayPanel::Look ArrayPanel::look_at(const Weather& w, double light_frac, double junction_v) const {
  const double rs_ohm = p_.substring.series_resistance_ohm;
  const double shunt_s = w.sun_frac * light_frac / p_.substring.shunt_resistance_ohm;
  Look q;
  const double vd = junction_v;
  q.vd = vd;
  q.cell = bounded_exp(vd / w.a_v);
  q.cells_a = w.sun_frac * light_frac * w.light_per_sun_a - w.saturation_a * (q.cell.value - 1.0) - vd * shunt_s;
  q.cells_slope = -w.saturation_a * q.cell.slope / w.a_v - shunt_s;
  q.v = vd - rs_ohm * q.cells_a;
  q.diode = bounded_exp(-q.v / w.bypass_a_v);
  q.value = q.cells_a + w.bypass_a * (q.diode.value - 1.0);
  q.slope = q.cells_slope - w.bypass_a * q.diode.slope / w.bypass_a_v * (1.0 - rs_ohm * q.cells_slope);
  return q;
}

// The voltage at a look, and how it answers at a fixed current.
ArrayPanel::Answer ArrayPanel::answer_of(const Weather& w, double light_frac, const Look& q) const {
  const double rs_ohm = p_.substring.series_resistance_ohm;
  const double sun_frac = w.sun_frac * light_frac;
  const double inverse = 1.0 / q.slope;
  const double v_per_vd = 1.0 - rs_ohm * q.cells_slope;
  const double diode_s = -w.bypass_a * q.diode.slope / w.bypass_a_v;  // of its current over v
  Answer answer{q.v, v_per_vd * inverse, 0.0, 0.0};
  // What moves the cells' current by `cells` and the diode's by `diode` moves v so that their sum stays.
  const auto moved_v = [&](double cells, double diode) {
    const double total = cells + diode - diode_s * rs_ohm * cells;
    return -v_per_vd * total * inverse - rs_ohm * cells;
  };
  const double cells_per_k = sun_frac * p_.substring.short_circuit_tempco_a_per_k -
                             w.saturation_per_k * (q.cell.value - 1.0) +
                             w.saturation_a * q.cell.slope * q.vd / w.a_v * w.per_k;
  const double diode_per_k =
      w.bypass_per_k * (q.diode.value - 1.0) + w.bypass_a * q.diode.slope * q.v / w.bypass_a_v * w.per_k;
  answer.d_degc = moved_v(cells_per_k, diode_per_k);
  answer.d_poa =
      moved_v((w.light_per_sun_a - q.vd / p_.substring.shunt_resistance_ohm) * light_frac / kReferenceWpm2, 0.0);
  return answer;
}

// The voltage of one sub-string that carries a.
ArrayPanel::Answer ArrayPanel::substring_v(const Weather& w, double light_frac, double a) const {
  const double light_a = w.sun_frac * light_frac * w.light_per_sun_a;
  // Cells without shunt or diode beside them, or the diode without cells: near the root on either side of the knee.
  const double guess_v = a < light_a ? w.a_v * std::log1p((light_a - a) / w.saturation_a)
                                     : p_.substring.series_resistance_ohm * light_a -
                                           w.bypass_a_v * std::log1p((a - light_a) / w.bypass_a);
  const double vd = falling_root(guess_v, 0.1 * w.bypass_a_v, [&](double x) {
    Look q = look_at(w, light_frac, x);
    q.value -= a;
    return q;
  });
  return answer_of(w, light_frac, look_at(w, light_frac, vd));
}

ArrayPanel::Answer ArrayPanel::string_v(const Weather& w, const StringLight& light, double a) const {
  Answer sum;
  for (std::size_t g = 0; g < light.count; ++g) {
    const Answer one = substring_v(w, light.groups[g].light_frac, a);
    const double n = light.groups[g].count;
    sum.value += n * one.value;
    sum.d_across += n * one.d_across;
    sum.d_degc += n * one.d_degc;
    sum.d_poa += n * one.d_poa;
  }
  return sum;
}

// The current of one string at v volts behind series_ohm.
ArrayPanel::Answer ArrayPanel::string_a(const Weather& w, const StringLight& light, double v, double series_ohm) const {
  if (light.count == 1) {  // all alike: one root in the junctions' voltage
    const Group& all = light.groups[0];
    const double n = all.count;
    const double light_a = w.sun_frac * all.light_frac * w.light_per_sun_a;
    const double rs_ohm = p_.substring.series_resistance_ohm;
    const double guess_v =
        std::min((v + series_ohm * light_a) / n + rs_ohm * light_a, w.a_v * std::log1p(light_a / w.saturation_a));
    const double vd = falling_root(guess_v, 0.1 * w.bypass_a_v, [&](double x) {
      const Look q = look_at(w, all.light_frac, x);
      return Falling{v + series_ohm * q.value - n * q.v, series_ohm * q.slope - n * (1.0 - rs_ohm * q.cells_slope)};
    });
    const Look q = look_at(w, all.light_frac, vd);
    const Answer one = answer_of(w, all.light_frac, q);
    const double inverse = 1.0 / (n * one.d_across - series_ohm);
    return {q.value, inverse, -n * one.d_degc * inverse, -n * one.d_poa * inverse};
  }
  // Half of the brightest sub-string's light: between all knees.
  const double light_a = w.sun_frac * light.groups[light.count - 1].light_frac * w.light_per_sun_a;
  const double a = falling_root(0.5 * light_a, 0.5 * light_a + 1e-6, [&](double amps) {
    const Answer q = string_v(w, light, amps);
    return Falling{q.value - series_ohm * amps - v, q.d_across - series_ohm};
  });
  const Answer q = string_v(w, light, a);
  const double inverse = 1.0 / (q.d_across - series_ohm);
  return {a, inverse, -q.d_degc * inverse, -q.d_poa * inverse};
}

// Only an integrator that tries a step far too long asks beyond kFarV. There the curve goes on straight: three nested
// roots between enclosures of 1e15 V would take it a second.
PanelPoint ArrayPanel::at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
  if (std::abs(v) <= kFarV) return point_at(v, poa_wpm2, cell_degc, scratch);
  const double far_v = std::copysign(kFarV, v);
  PanelPoint point = point_at(far_v, poa_wpm2, cell_degc, scratch);
  point.current_a += point.d_voltage * (v - far_v);
  return point;
}

PanelPoint ArrayPanel::point_at(double v, double poa_wpm2, double cell_degc, PanelScratch& scratch) const {
  const Weather w = weather(poa_wpm2, cell_degc);
  const auto strings = static_cast<std::size_t>(p_.strings);
  const PanelShade* shade = scratch.shade;
  const StringLight first = light_of(0, shade);
  std::array<StringLight, kMaxStrings> others;
  bool all_same = true;
  for (std::size_t s = 1; s < strings && shade != nullptr; ++s) {
    others[s] = light_of(s, shade);
    all_same = all_same && others[s].same_as(first);
  }
  if (all_same) {
    const Answer one = string_a(w, first, v, cable_ohm_ * p_.strings);
    const double n = p_.strings;
    return {n * one.value, n * one.d_across, n * one.d_degc, n * one.d_poa};
  }
  const auto sum_at = [&](double node_v) {
    Answer sum;
    for (std::size_t s = 0; s < strings; ++s) {
      const Answer one = string_a(w, s == 0 ? first : others[s], node_v, 0.0);
      sum.value += one.value;
      sum.d_across += one.d_across;
      sum.d_degc += one.d_degc;
      sum.d_poa += one.d_poa;
    }
    return sum;
  };
  Answer sum;
  if (cable_ohm_ > 0.0) {
    const double node_v = falling_root(v, 0.1, [&](double node) {
      const Answer q = sum_at(node);
      return Falling{q.value - (node - v) / cable_ohm_, q.d_across - 1.0 / cable_ohm_};
    });
    sum = sum_at(node_v);
  } else {
    sum = sum_at(v);
  }
  const double behind = 1.0 / (1.0 - cable_ohm_ * sum.d_across);
  return {sum.value, sum.d_across * behind, sum.d_degc * behind, sum.d_poa * behind};
}

double ArrayPanel::open_circuit_v(double poa_wpm2, double cell_degc, const PanelShade* shade) const {
  PanelScratch scratch;
  scratch.shade = shade;
  return falling_root(0.0, 1.0, [&](double v) {
    const PanelPoint point = at(v, poa_wpm2, cell_degc, scratch);
    return Falling{point.current_a, point.d_voltage};
  });
}

PeakList ArrayPanel::peaks(double poa_wpm2, double cell_degc, const PanelShade* shade) const {
  constexpr int kSteps = 400;
  constexpr int kHalvings = 60;
  const ArrayPanel bare{p_, 0.0};
  PanelScratch scratch;
  scratch.shade = shade;
  const auto slope_w_per_v = [&](double v) {
    const PanelPoint point = bare.at(v, poa_wpm2, cell_degc, scratch);
    return point.current_a + v * point.d_voltage;
  };
  PeakList list;
  const double open_v = bare.open_circuit_v(poa_wpm2, cell_degc, shade);
  double low_v = 0.0;
  bool rising = slope_w_per_v(0.0) > 0.0;
  for (int i = 1; i <= kSteps && list.count < list.peaks.size(); ++i) {
    const double v = open_v * i / kSteps;
    const bool rises = slope_w_per_v(v) > 0.0;
    if (rising && !rises) {
      double high_v = v;
      for (int k = 0; k < kHalvings; ++k) {
        const double middle_v = 0.5 * (low_v + high_v);
        (slope_w_per_v(middle_v) > 0.0 ? low_v : high_v) = middle_v;
      }
      list.peaks[list.count++] = {low_v, low_v * bare.at(low_v, poa_wpm2, cell_degc, scratch).current_a};
    }
    rising = rises;
    low_v = v;
  }
  return list;
}

}  // namespace dawnrig::plant
