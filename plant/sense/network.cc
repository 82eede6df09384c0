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
constexpr double kThermalV = 0.0257;  // kT/q at 25 degC
constexpr double kNear = 1e-6;        // V, K or A
constexpr double kLn2 = 0.69314718055994530942;

void check_kind(Problems& problems, const DividerParams& p) {
  check_range(problems, "divider.r_top_ohm", p.r_top_ohm, {1.0, 1e8});
  check_range(problems, "divider.r_bottom_ohm", p.r_bottom_ohm, {1.0, 1e8});
  check_range(problems, "divider.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
}
void check_kind(Problems& problems, const OffsetDividerParams& p) {
  check_offset_divider(problems, p);
}
void check_kind(Problems& problems, const ThermistorInputParams& p) {
  check_thermistor(problems, p);
}

void check_kind(Problems& problems, const ShuntAmplifierParams& p) {
  check_shunt_amplifier(problems, p);
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
  check_range(problems, "pin_leak_a", pin_leak_a, {-1e-3, 1e-3});
  if (pin_leak_doubling_k != 0.0) check_range(problems, "pin_leak_doubling_k", pin_leak_doubling_k, {3.0, 1000.0});
  const bool thermistor = std::holds_alternative<ThermistorInputParams>(network);
  if (std::holds_alternative<ShuntAmplifierParams>(network) != is_current(node)) {
    problems.add("node", is_current(node) ? "is a current, must be a voltage or a temperature for this network"
                                          : "must be a current for a shunt amplifier");
    return;
  }
  if (thermistor != is_temperature(node)) {
    problems.add("node", thermistor ? "is a voltage, must be a temperature for a thermistor"
                                    : "is a temperature, must be a voltage for a divider");
  }
}

double resting_pin_v(const SenseParams& params, double node_v_or_degc_or_a, double supply_v, double ambient_degc,
                     SenseFaultKind fault) {
  const auto* divider = std::get_if<DividerParams>(&params.network);
  if (divider != nullptr && params.pin_leak_a == 0.0 && fault == SenseFaultKind::kNone) {
    const double v = node_v_or_degc_or_a * divider->r_bottom_ohm / (divider->r_top_ohm + divider->r_bottom_ohm);
    return clamped_pin_v(v, supply_v);
  }
  const SenseWorld world{node_v_or_degc_or_a, node_v_or_degc_or_a, ambient_degc, supply_v, fault, node_v_or_degc_or_a};
  return clamped_pin_v(SenseChannel{params}.rest_v(world), supply_v);
}

SenseChannel::SenseChannel(const SenseParams& checked)
    : node_{checked.node},
      tight_{checked.pin_leak_a == 0.0},
      pin_leak_a_{checked.pin_leak_a},
      leak_warmth_per_k_{checked.pin_leak_doubling_k > 0.0 ? kLn2 / checked.pin_leak_doubling_k : 0.0} {
  if (const auto* divider = std::get_if<DividerParams>(&checked.network)) {
    top_s_ = 1.0 / divider->r_top_ohm;
    bottom_s_ = 1.0 / divider->r_bottom_ohm;
    per_farad_ = 1.0 / divider->capacitance_f;
  } else if (const auto* offset = std::get_if<OffsetDividerParams>(&checked.network)) {
    kind_ = Kind::kOffset;
    offset_ = OffsetDiode{*offset};
    top_s_ = 1.0 / offset->r_top_ohm;
    bottom_s_ = 1.0 / offset->r_bottom_ohm;
    per_farad_ = 1.0 / offset->capacitance_f;
  } else if (const auto* thermistor = std::get_if<ThermistorInputParams>(&checked.network)) {
    kind_ = Kind::kThermistor;
    thermistor_.emplace(*thermistor);
    to_supply_ = thermistor->to_supply;
    const bool bare = !thermistor->to_supply && thermistor->r_series_ohm == 0.0 && thermistor->r_parallel_ohm == 0.0 &&
                      std::holds_alternative<std::monostate>(thermistor->curve);
    beta_k_ = bare ? thermistor->beta_k : 0.0;
    top_s_ = 1.0 / thermistor->r_fixed_ohm;
    bottom_s_ = 1.0 / thermistor->r_25_ohm;
    per_farad_ = 1.0 / thermistor->capacitance_f;
  }
  if (const auto* amplifier = std::get_if<ShuntAmplifierParams>(&checked.network)) {
    kind_ = Kind::kAmplifier;
    amplifier_ = *amplifier;
    top_s_ = 1.0 / amplifier->r_out_ohm;
    per_farad_ = 1.0 / amplifier->capacitance_f;
  }
  protection_s_ = kProtectionToNetwork * (top_s_ + bottom_s_);
}

// The current falls as the pin rises, without end on either side: Newton within a bracket.
double SenseChannel::rest_v(const SenseWorld& world) const {
  constexpr int kMostIterations = 300;
  Scratch scratch;
  double low_v = -1.0;
  double high_v = 1.0 + world.supply_v;
  if (kind_ == Kind::kDivider || kind_ == Kind::kOffset) {
    low_v += std::fmin(0.0, world.node_v);
    high_v += std::fmax(0.0, world.node_v);
  }
  double v = 0.5 * (low_v + high_v);
  for (int i = 0; i < kMostIterations; ++i) {
    SensePoint q;
    network_at(v, world, scratch, q);
    leak_at(v, world, scratch, q);
    if (q.pin_per_s == 0.0) break;
    (q.pin_per_s > 0.0 ? low_v : high_v) = v;
    double next = v - q.pin_per_s / q.pin_d_pin;
    if (!(next > low_v && next < high_v)) next = 0.5 * (low_v + high_v);
    const bool settled = std::abs(next - v) <= 1e-16 * std::abs(v);
    v = next;
    if (settled) break;
  }
  return v;
}

void SenseChannel::thermistor_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const {
  const bool open = world.fault == SenseFaultKind::kOpen;
  if (beta_k_ > 0.0) {
    q.pin_per_s = top_s_ * (world.supply_v - pin_v);
    q.pin_d_pin = -top_s_;
    if (open) return;
    const double inverse_kelvin = 1.0 / (world.thermistor_degc + kZeroDegcK);
    const double s = bottom_s_ * scratch.thermistor(beta_k_ * (1.0 / kReferenceK - inverse_kelvin));
    q.pin_per_s -= s * pin_v;
    q.pin_d_pin -= s;
    q.pin_d_degc = -s * pin_v * beta_k_ * inverse_kelvin * inverse_kelvin;
    return;
  }
  const Thermistor::Branch branch = thermistor_->at(world.thermistor_degc, open, scratch.thermistor);
  const double top_s = to_supply_ ? branch.conductance_s : top_s_;
  const double bottom_s = to_supply_ ? top_s_ : branch.conductance_s;
  q.pin_per_s = top_s * (world.supply_v - pin_v) - bottom_s * pin_v;
  q.pin_d_pin = -top_s - bottom_s;
  q.pin_d_degc = branch.d_degc * (to_supply_ ? world.supply_v - pin_v : -pin_v);
}

// Fills the node's side of q and leaves the current into the pin's node in pin_per_s, still in amperes.
void SenseChannel::network_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const {
  if (kind_ == Kind::kThermistor) {
    thermistor_at(pin_v, world, scratch, q);
    return;
  }
  const bool open = world.fault == SenseFaultKind::kOpen;
  if (kind_ == Kind::kAmplifier) {  // open: the wire from its output; the pin is left to its leakage
    if (open) return;
    const AmplifierPoint amplifier = amplifier_at(amplifier_, world.sensed_a, world.supply_v);
    q.pin_per_s = top_s_ * (amplifier.output_v - pin_v);
    q.pin_d_node = top_s_ * amplifier.d_current;
    q.pin_d_pin = -top_s_;
    return;
  }
  if (!open && kind_ == Kind::kDivider) {
    q.node_a = top_s_ * (world.node_v - pin_v);
    q.node_d_node = top_s_;
  } else if (!open) {
    const OffsetDiode::Point diode = offset_.at(world.node_v - pin_v, world.ambient_degc, scratch.diode);
    q.node_a = diode.current_a;
    q.node_d_node = diode.conductance_s;
  }
  q.node_d_pin = -q.node_d_node;
  q.pin_per_s = q.node_a - bottom_s_ * pin_v;
  q.pin_d_node = q.node_d_node;
  q.pin_d_pin = q.node_d_pin - bottom_s_;
}

// Below its rail a junction conducts; the straight line from there on keeps it so, and the protection takes over.
void SenseChannel::leak_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const {
  if (pin_leak_a_ == 0.0) return;
  const double leak_a = pin_leak_a_ * scratch.leak_warmth(leak_warmth_per_k_ * (world.ambient_degc - 25.0));
  const double back_v = leak_a > 0.0 ? pin_v : world.supply_v - pin_v;
  const double blocked = back_v > 0.0 ? std::exp(-back_v / kThermalV) : 1.0;
  q.pin_per_s -= leak_a * (back_v > 0.0 ? 1.0 - blocked : back_v / kThermalV);
  q.pin_d_pin -= std::abs(leak_a) * blocked / kThermalV;
}

SensePoint SenseChannel::in_general(double pin_v, const SenseWorld& world, Scratch& scratch) const {
  SensePoint q;
  network_at(pin_v, world, scratch, q);
  leak_at(pin_v, world, scratch, q);
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
  per_farad(q);
  return q;
}

// Nothing acts on the pin beside its network. It moves little and is asked for often.
void SenseChannel::within_rails(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const {
  Anchor& anchor = scratch.anchor;
  const double value = kind_ == Kind::kThermistor  ? world.thermistor_degc
                       : kind_ == Kind::kAmplifier ? world.sensed_a
                                                   : world.node_v;
  const double pin_away_v = pin_v - anchor.pin_v;
  const double away = value - anchor.value;
  if (std::abs(pin_away_v) < kNear && std::abs(away) < kNear && anchor.ambient_degc == world.ambient_degc &&
      anchor.supply_v == world.supply_v) {
    q = anchor.point;
    q.node_a += q.node_d_node * away + q.node_d_pin * pin_away_v;
    q.pin_per_s += (q.pin_d_node + q.pin_d_degc) * away + q.pin_d_pin * pin_away_v;  // it has one of the two
    return;
  }
  q = {};
  network_at(pin_v, world, scratch, q);
  per_farad(q);
  anchor = {pin_v, value, world.ambient_degc, world.supply_v, q};
}

void SenseChannel::per_farad(SensePoint& q) const {
  q.pin_per_s *= per_farad_;
  q.pin_d_node *= per_farad_;
  q.pin_d_pin *= per_farad_;
  q.pin_d_degc *= per_farad_;
}

}  // namespace dawnrig::plant
