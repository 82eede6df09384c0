// Plant, sense: what stands between a node of the circuit and an ADC pin. May use plant/core only.
#pragma once

#include <algorithm>
#include <cstdint>
#include <limits>
#include <optional>
#include <variant>

#include "plant/core/problems.h"
#include "plant/sense/offset_diode.h"
#include "plant/sense/shunt_amplifier.h"
#include "plant/sense/thermistor.h"

namespace dawnrig::plant {

/// What a channel is wired to, whose temperature it takes (the stage's is that of its heat sink), or what flows through
/// its shunt: out of the stage, into the loads behind their switch, into the battery.
enum class SenseNode : std::uint8_t {
  kBus,
  kPanelInput,
  kBatteryTemperature,
  kStageTemperature,
  kChargeCurrent,
  kLoadCurrent,
  kBatteryCurrent
};
[[nodiscard]] inline bool is_current(SenseNode node) {
  return node >= SenseNode::kChargeCurrent;
}
[[nodiscard]] inline bool is_temperature(SenseNode node) {
  return node == SenseNode::kBatteryTemperature || node == SenseNode::kStageTemperature;
}

/// node -- r_top --+-- r_bottom -- ground; capacitance across r_bottom; the pin at +.
struct DividerParams {
  double r_top_ohm{120e3};
  double r_bottom_ohm{15e3};
  double capacitance_f{100e-9};
};
struct SenseParams {
  SenseNode node{SenseNode::kBus};
  std::variant<DividerParams, OffsetDividerParams, ThermistorInputParams, ShuntAmplifierParams> network;
  double pin_leak_a{0.0};           ///< at 25 degC; > 0 out of the pin to ground, < 0 into it from the supply
  double pin_leak_doubling_k{0.0};  ///< doubles each so many kelvin of the board; 0: it does not
  void check(Problems& problems) const;
};

enum class SenseFaultKind : std::uint8_t { kNone, kOpen, kShortToGround, kShortToSupply, kStuck };

/// How far beyond ground and supply a pin's protection lets it go.
inline constexpr double kPinBeyondRailV = 0.3;

/// The pin's resting voltage for a node voltage (or a thermistor's temperature, or a shunt's current), clamped to the
/// supply. Solved as a network, sound or with its wire open; used by the profile checker for saturation.
[[nodiscard]] double resting_pin_v(const SenseParams& params, double node_v_or_degc_or_a, double supply_v,
                                   double ambient_degc, SenseFaultKind fault = SenseFaultKind::kNone);

/// v, held between the limits of the pin's protection.
[[nodiscard]] inline double clamped_pin_v(double v, double supply_v) {
  return std::clamp(v, -kPinBeyondRailV, supply_v + kPinBeyondRailV);
}

/// A channel at one instant: what it draws from its node, how its pin moves, and the slopes.
struct SensePoint {
  double node_a{}, node_d_node{}, node_d_pin{};
  double pin_per_s{}, pin_d_node{}, pin_d_pin{}, pin_d_degc{};
};

/// What a channel's surroundings are.
struct SenseWorld {
  double node_v{};           ///< of the node it hangs on; unused by a thermistor
  double thermistor_degc{};  ///< of a thermistor
  double ambient_degc{};     ///< of an offset diode
  double supply_v{};
  SenseFaultKind fault{SenseFaultKind::kNone};
  double sensed_a{0.0};  ///< of a shunt
};

/// One channel with its constants worked out.
///
///     node --[network]--+-- pin        node_a > 0 flows from the node into the network
///                       |
///                  capacitance, lower arm, pin protection
///
///     C pin' = i_top - pin/r_bottom - protection,   divider: i_top = (node - pin)/r_top
///     offset diode: node - pin = diode_v(T) - knee ln(I_test/i) + Rs (i - I_test) + r_top i
///     thermistor: its branch to ground or supply as a conductance g(T), the fixed resistor on the other side
///     shunt: i_top = (amplifier - pin)/r_out, no lower arm; what it takes of its node's slope is per ampere
///     leakage: a reverse junction, leak (1 - exp(-pin/25.7 mV)) to ground or from the supply, so it stops at the rails
///
/// Protection conducts in proportion beyond -0.3 V and supply + 0.3 V, ten thousand times better than the network, so
/// that a pin stays within 10 mV of its limits. Faults: kOpen parts the wire to the node (or the thermistor), the
/// shorts hold the pin through 0.1 ohm, kStuck freezes it. Valid for node voltages of 0..100 V. Not modelled: drift of
/// resistors and capacitors with temperature, noise. Sources: Ohm's law; offset_diode.h and thermistor.h name theirs.
/// Checked against bisection, closed forms and a circuit simulator in tests/plant/network_test.cc, offset_diode_test.cc
/// and thermistor_test.cc.
class SenseChannel {
 public:
  explicit SenseChannel(const SenseParams& checked);
  /// The last full evaluation of a pin within its rails: a millionth of a volt, kelvin or ampere from there its slopes
  /// lead to the same, but for 1e-12 V of where it rests.
  struct Anchor {
    double pin_v{std::numeric_limits<double>::quiet_NaN()};
    double value{};  ///< in the unit of what the channel is wired to
    double ambient_degc{}, supply_v{};
    SensePoint point;
  };
  struct Scratch {
    OffsetDiode::Scratch diode;
    AnchoredExp thermistor, leak_warmth;
    Anchor anchor;
  };
  [[nodiscard]] SensePoint at(double pin_v, const SenseWorld& world, Scratch& scratch) const {
    SensePoint q;
    find(pin_v, world, scratch, q);
    return q;
  }
  /// The same, all of q.
  void find(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const {
    if (!tight_ || world.fault != SenseFaultKind::kNone || !(pin_v >= -kPinBeyondRailV) ||
        !(pin_v <= world.supply_v + kPinBeyondRailV)) {
      q = in_general(pin_v, world, scratch);
      return;
    }
    if (kind_ != Kind::kDivider) return within_rails(pin_v, world, scratch, q);
    const double node_a = top_s_ * (world.node_v - pin_v);  // a sound divider within its rails: most of all calls
    q = {node_a,
         top_s_,
         -top_s_,
         (node_a - bottom_s_ * pin_v) * per_farad_,
         top_s_ * per_farad_,
         (-top_s_ - bottom_s_) * per_farad_,
         0.0};
  }
  [[nodiscard]] SenseNode node() const { return node_; }
  [[nodiscard]] double capacitance_f() const { return 1.0 / per_farad_; }
  /// Where the pin rests, did nothing clamp it.
  [[nodiscard]] double rest_v(const SenseWorld& world) const;

 private:
  enum class Kind : std::uint8_t { kDivider, kOffset, kThermistor, kAmplifier };
  [[nodiscard]] SensePoint in_general(double pin_v, const SenseWorld& world, Scratch& scratch) const;
  void within_rails(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const;
  void per_farad(SensePoint& q) const;
  void network_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const;
  void thermistor_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const;
  void leak_at(double pin_v, const SenseWorld& world, Scratch& scratch, SensePoint& q) const;

  SenseNode node_;
  Kind kind_{Kind::kDivider};
  bool tight_;            // its pin does not leak
  double top_s_{0.0};     // conductance of r_top, or of the fixed resistor at a thermistor
  double bottom_s_{0.0};  // of r_bottom, or of the thermistor at 25 degC
  double per_farad_{0.0};
  double protection_s_{0.0};
  double beta_k_{0.0};  // of a thermistor to ground without further resistors; else 0
  double pin_leak_a_{0.0};
  double leak_warmth_per_k_{0.0};
  bool to_supply_{false};
  OffsetDiode offset_;
  std::optional<Thermistor> thermistor_;
  ShuntAmplifierParams amplifier_;
};

}  // namespace dawnrig::plant
