#include "plant/sense/network.h"

#include <algorithm>
#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kReferenceK = 298.15;
constexpr double kZeroDegcK = 273.15;
constexpr double kShortS = 10.0;
constexpr double kProtectionToNetwork = 1e4;
constexpr double kProtectionKneeV = 2e-3;

void check_kind(Problems& problems, const DividerParams& p) {
  check_range(problems, "divider.r_top_ohm", p.r_top_ohm, {1.0, 1e8});
  check_range(problems, "divider.r_bottom_ohm", p.r_bottom_ohm, {1.0, 1e8});
  check_range(problems, "divider.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
}
void check_kind(Problems& problems, const OffsetDividerParams& p) {
  check_range(problems, "offset_divider.diode_v", p.diode_v, {1.0, 100.0});
  check_range(problems, "offset_divider.diode_test_a", p.diode_test_a, {1e-6, 1.0});
  check_range(problems, "offset_divider.knee_v", p.knee_v, {0.0, 5.0, true});
  check_range(problems, "offset_divider.diode_series_ohm", p.diode_series_ohm, {0.0, 1e5});
  check_range(problems, "offset_divider.diode_tempco_v_per_k", p.diode_tempco_v_per_k, {-0.1, 0.1});
  check_range(problems, "offset_divider.r_top_ohm", p.r_top_ohm, {1.0, 1e8});
  check_range(problems, "offset_divider.r_bottom_ohm", p.r_bottom_ohm, {1.0, 1e8});
  check_range(problems, "offset_divider.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
}
void check_kind(Problems& problems, const ThermistorInputParams& p) {
  check_range(problems, "thermistor.r_pull_up_ohm", p.r_pull_up_ohm, {10.0, 1e7});
  check_range(problems, "thermistor.r_25_ohm", p.r_25_ohm, {10.0, 1e7});
  check_range(problems, "thermistor.beta_k", p.beta_k, {500.0, 1e4});
  check_range(problems, "thermistor.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
}

// Voltage across the offset diode's logarithm and every resistance in series with it, of which `across_v` is the sum.
double offset_drive_v(const OffsetDividerParams& p, double across_v, double ambient_degc) {
  return across_v - (p.diode_v + p.diode_tempco_v_per_k * (ambient_degc - 25.0)) + p.diode_series_ohm * p.diode_test_a;
}

double thermistor_ohm(const ThermistorInputParams& p, double degc) {
  return p.r_25_ohm * std::exp(p.beta_k * (1.0 / (degc + kZeroDegcK) - 1.0 / kReferenceK));
}

// Current into the protection, x volts beyond a limit; quadratic over the first millivolts so that its slope is smooth.
double protection_a(double x, double conductance_s, double& slope) {
  if (x <= 0.0) {
    slope = 0.0;
    return 0.0;
  }
  const double inverse = 1.0 / (x + kProtectionKneeV);
  slope = conductance_s * x * (x + 2.0 * kProtectionKneeV) * inverse * inverse;
  return conductance_s * x * x * inverse;
}

}  // namespace

void SenseParams::check(Problems& problems) const {
  std::visit([&](const auto& p) { check_kind(problems, p); }, network);
  const bool thermistor = std::holds_alternative<ThermistorInputParams>(network);
  if (thermistor != (node == SenseNode::kBatteryTemperature)) {
    problems.add("node", thermistor ? "is a voltage, must be the battery temperature for a thermistor"
                                    : "is the battery temperature, must be a voltage for a divider");
  }
}

double clamped_pin_v(double v, double supply_v) {
  return std::clamp(v, -kPinBeyondRailV, supply_v + kPinBeyondRailV);
}

double resting_pin_v(const SenseParams& params, double node_v_or_degc, double supply_v, double ambient_degc) {
  double v = 0.0;
  if (const auto* divider = std::get_if<DividerParams>(&params.network)) {
    v = node_v_or_degc * divider->r_bottom_ohm / (divider->r_top_ohm + divider->r_bottom_ohm);
  } else if (const auto* offset = std::get_if<OffsetDividerParams>(&params.network)) {
    const double ohm = offset->diode_series_ohm + offset->r_top_ohm + offset->r_bottom_ohm;
    const double drive_v = offset_drive_v(*offset, node_v_or_degc, ambient_degc);
    WrightOmega omega;
    const double w = omega(drive_v / offset->knee_v + std::log(ohm * offset->diode_test_a / offset->knee_v));
    v = offset->knee_v * w / ohm * offset->r_bottom_ohm;
  } else if (const auto* thermistor = std::get_if<ThermistorInputParams>(&params.network)) {
    const double ohm = thermistor_ohm(*thermistor, node_v_or_degc);
    v = supply_v * ohm / (ohm + thermistor->r_pull_up_ohm);
  }
  return clamped_pin_v(v, supply_v);
}

SenseChannel::SenseChannel(const SenseParams& checked) : node_{checked.node} {
  if (const auto* divider = std::get_if<DividerParams>(&checked.network)) {
    top_s_ = 1.0 / divider->r_top_ohm;
    bottom_s_ = 1.0 / divider->r_bottom_ohm;
    per_farad_ = 1.0 / divider->capacitance_f;
  } else if (const auto* offset = std::get_if<OffsetDividerParams>(&checked.network)) {
    kind_ = Kind::kOffset;
    offset_ = *offset;
    top_s_ = 1.0 / offset->r_top_ohm;
    bottom_s_ = 1.0 / offset->r_bottom_ohm;
    per_farad_ = 1.0 / offset->capacitance_f;
    offset_ohm_ = offset->diode_series_ohm + offset->r_top_ohm;
    log_b_over_a_ = std::log(offset_ohm_ * offset->diode_test_a / offset->knee_v);
  } else if (const auto* thermistor = std::get_if<ThermistorInputParams>(&checked.network)) {
    kind_ = Kind::kThermistor;
    top_s_ = 1.0 / thermistor->r_pull_up_ohm;
    bottom_s_ = 1.0 / thermistor->r_25_ohm;
    per_farad_ = 1.0 / thermistor->capacitance_f;
    beta_k_ = thermistor->beta_k;
  }
  protection_s_ = kProtectionToNetwork * (top_s_ + bottom_s_);
}

// Fills the node's side of q and leaves the current into the pin's node in pin_per_s, still in amperes.
void SenseChannel::network_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const {
  const bool open = world.fault == SenseFaultKind::kOpen;
  if (kind_ == Kind::kThermistor) {
    q.pin_per_s = top_s_ * (world.supply_v - pin_v);
    q.pin_d_pin = -top_s_;
    if (open) return;
    const double inverse_kelvin = 1.0 / (world.battery_degc + kZeroDegcK);
    const double s = bottom_s_ * scratch.thermistor(beta_k_ * (1.0 / kReferenceK - inverse_kelvin));
    q.pin_per_s -= s * pin_v;
    q.pin_d_pin -= s;
    q.pin_d_degc = -s * pin_v * beta_k_ * inverse_kelvin * inverse_kelvin;
    return;
  }
  if (!open && kind_ == Kind::kDivider) {
    q.node_a = top_s_ * (world.node_v - pin_v);
    q.node_d_node = top_s_;
  } else if (!open) {
    const double drive_v = offset_drive_v(offset_, world.node_v - pin_v, world.ambient_degc);
    const double w = scratch.omega(drive_v / offset_.knee_v + log_b_over_a_);
    q.node_a = offset_.knee_v * w / offset_ohm_;
    q.node_d_node = w / ((1.0 + w) * offset_ohm_);
  }
  q.node_d_pin = -q.node_d_node;
  q.pin_per_s = q.node_a - bottom_s_ * pin_v;
  q.pin_d_node = q.node_d_node;
  q.pin_d_pin = q.node_d_pin - bottom_s_;
}

SensePoint SenseChannel::in_general(double pin_v, const SenseWorld& world, Scratch& scratch) const {
  SensePoint q;
  network_at(pin_v, world, scratch, q);
  if (world.fault == SenseFaultKind::kStuck) {
    q.pin_per_s = q.pin_d_node = q.pin_d_pin = q.pin_d_degc = 0.0;
    return q;
  }
  double slope = 0.0;
  q.pin_per_s -= protection_a(pin_v - (world.supply_v + kPinBeyondRailV), protection_s_, slope);
  q.pin_d_pin -= slope;
  q.pin_per_s += protection_a(-kPinBeyondRailV - pin_v, protection_s_, slope);
  q.pin_d_pin -= slope;
  if (world.fault == SenseFaultKind::kShortToGround || world.fault == SenseFaultKind::kShortToSupply) {
    const double held_v = world.fault == SenseFaultKind::kShortToSupply ? world.supply_v : 0.0;
    q.pin_per_s += kShortS * (held_v - pin_v);
    q.pin_d_pin -= kShortS;
  }
  q.pin_per_s *= per_farad_;
  q.pin_d_node *= per_farad_;
  q.pin_d_pin *= per_farad_;
  q.pin_d_degc *= per_farad_;
  return q;
}

}  // namespace dawnrig::plant
