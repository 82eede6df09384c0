#include "plant/sense/offset_diode.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kReferenceDegc = 25.0;
constexpr double kLn2 = 0.69314718055994530942;

}  // namespace

void check_offset_divider(Problems& problems, const OffsetDividerParams& p) {
  check_range(problems, "offset_divider.diode_v", p.diode_v, {1.0, 100.0});
  check_range(problems, "offset_divider.diode_test_a", p.diode_test_a, {1e-6, 1.0});
  check_range(problems, "offset_divider.knee_v", p.knee_v, {0.001, 5.0});
  check_range(problems, "offset_divider.diode_series_ohm", p.diode_series_ohm, {0.0, 1e5});
  check_range(problems, "offset_divider.diode_tempco_v_per_k", p.diode_tempco_v_per_k, {-0.1, 0.1});
  check_range(problems, "offset_divider.r_top_ohm", p.r_top_ohm, {1.0, 1e8});
  check_range(problems, "offset_divider.r_bottom_ohm", p.r_bottom_ohm, {1.0, 1e8});
  check_range(problems, "offset_divider.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
  check_range(problems, "offset_divider.diode_leak_a", p.diode_leak_a, {0.0, 1e-3});
  if (!(p.diode_leak_a > 0.0)) return;
  check_range(problems, "offset_divider.diode_leak_test_v", p.diode_leak_test_v, {0.01, 100.0});
  check_range(problems, "offset_divider.diode_leak_slope_v", p.diode_leak_slope_v, {0.05, 100.0});
  if (p.diode_leak_doubling_k != 0.0) {
    check_range(problems, "offset_divider.diode_leak_doubling_k", p.diode_leak_doubling_k, {3.0, 1000.0});
  }
  if (!(p.diode_leak_test_v < p.diode_v)) {
    problems.add("offset_divider.diode_leak_test_v", "must be below diode_v: leakage is given below the breakdown");
  }
  const double at_breakdown_a = p.diode_leak_a * std::exp((p.diode_v - p.diode_leak_test_v) / p.diode_leak_slope_v);
  if (!(at_breakdown_a < p.diode_test_a)) {
    problems.add("offset_divider.diode_leak_slope_v",
                 "makes the leak alone exceed diode_test_a at diode_v, must be larger");
  }
}

OffsetDiode::OffsetDiode(const OffsetDividerParams& checked)
    : p_{checked},
      ohm_{checked.diode_series_ohm + checked.r_top_ohm},
      log_b_over_a_{std::log(ohm_ * checked.diode_test_a / checked.knee_v)},
      log_a_over_ohm_{std::log(checked.knee_v / ohm_)} {
  if (checked.diode_leak_a > 0.0) {
    leak_a_ = checked.diode_leak_a / std::expm1(checked.diode_leak_test_v / checked.diode_leak_slope_v);
    warmth_per_k_ = checked.diode_leak_doubling_k > 0.0 ? kLn2 / checked.diode_leak_doubling_k : 0.0;
  }
}

OffsetDiode::Point OffsetDiode::at(double across_v, double board_degc, Scratch& scratch) const {
  // Of the knee's logarithm and every resistance behind it.
  const double drive_v = across_v - (p_.diode_v + p_.diode_tempco_v_per_k * (board_degc - kReferenceDegc)) +
                         p_.diode_series_ohm * p_.diode_test_a;
  const double x = drive_v / p_.knee_v + log_b_over_a_;
  const double w = scratch.omega(x);
  if (leak_a_ == 0.0) return {p_.knee_v * w / ohm_, w / ((1.0 + w) * ohm_)};
  constexpr double kTinyOmega = 1e-16;  // there ln(omega(x)) is x
  return with_leak(log_a_over_ohm_ + (w > kTinyOmega ? std::log(w) : x), across_v, board_degc, scratch);
}

// log_knee_a: what the knee would carry alone, and more than it does carry unless the leak flows back.
OffsetDiode::Point OffsetDiode::with_leak(double log_knee_a, double across_v, double board_degc,
                                          Scratch& scratch) const {
  constexpr int kMostIterations = 100;
  constexpr double kClose = 1e-13;
  const double saturation_a = leak_a_ * scratch.warmth(warmth_per_k_ * (board_degc - kReferenceDegc));
  const double base_v = p_.diode_v + p_.diode_tempco_v_per_k * (board_degc - kReferenceDegc) -
                        p_.knee_v * std::log(p_.diode_test_a) - p_.diode_series_ohm * p_.diode_test_a;
  const double highest = log_knee_a + p_.r_top_ohm * saturation_a / p_.knee_v + kClose;  // a leak may flow back
  double x = std::min(scratch.log_i, highest);
  Point q;
  for (int iteration = 0; iteration < kMostIterations; ++iteration) {
    const double i = std::exp(x);
    const double v = base_v + p_.knee_v * x + p_.diode_series_ohm * i;
    const double v_d_x = p_.knee_v + p_.diode_series_ohm * i;
    const double grown_a = saturation_a * std::exp(v / p_.diode_leak_slope_v);
    const double i_d_x = i + grown_a / p_.diode_leak_slope_v * v_d_x;
    q.current_a = i + grown_a - saturation_a;
    q.conductance_s = i_d_x / (v_d_x + p_.r_top_ohm * i_d_x);
    const double step = (v + p_.r_top_ohm * q.current_a - across_v) / (v_d_x + p_.r_top_ohm * i_d_x);
    x = std::min(x - step, highest);
    if (!(std::abs(step) > kClose * (1.0 + std::abs(x)))) break;
  }
  scratch.log_i = x;
  return q;
}

}  // namespace dawnrig::plant
