#include "harness/metering/chain.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"

namespace dawnrig::metering {
namespace {

constexpr double kNoClampV = 1000;  // a supply that holds no pin down
constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

/// What the pin's own leakage draws at this pin voltage.
double leak_a(const plant::SenseParams& network, double pin_v, double supply_v, double board_degc) {
  constexpr double kThermalV = 0.0257;
  if (network.pin_leak_a == 0) return 0;
  const double warm_a = network.pin_leak_doubling_k > 0
                            ? network.pin_leak_a * std::exp2((board_degc - kRoomDegc) / network.pin_leak_doubling_k)
                            : network.pin_leak_a;
  const double back_v = warm_a > 0 ? pin_v : supply_v - pin_v;
  return back_v > 0 ? -warm_a * std::expm1(-back_v / kThermalV) : warm_a * back_v / kThermalV;
}

struct Span {
  double low{}, high{};
};

Span span_of(const plant::SenseParams& network) {
  if (std::holds_alternative<plant::ThermistorInputParams>(network.network)) return {-80, 200};
  if (std::holds_alternative<plant::ShuntAmplifierParams>(network.network)) return {-1e4, 1e4};
  return {0, 500};
}

/// By bisection on the solved network, which rises or falls all the way.
double bisected(const Chain& chain, double wanted_v, double board_degc) {
  Span span = span_of(chain.network);
  Chain unclamped = chain;
  const bool thermistor = std::holds_alternative<plant::ThermistorInputParams>(chain.network.network);
  if (!thermistor) unclamped.supply_v = kNoClampV;  // a thermistor hangs on it
  const auto miss = [&](double sensed) { return pin_v(unclamped, sensed, board_degc) - wanted_v; };
  double low = miss(span.low);
  const double high = miss(span.high);
  if (!(low * high <= 0)) return kNone;
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (span.low + span.high);
    const double at = miss(middle);
    if ((at > 0) == (low > 0)) {
      span.low = middle;
      low = at;
    } else {
      span.high = middle;
    }
  }
  return 0.5 * (span.low + span.high);
}

double inverse(const Chain& chain, const plant::DividerParams& p, double at_v, double board_degc) {
  return at_v + p.r_top_ohm * (at_v / p.r_bottom_ohm + leak_a(chain.network, at_v, chain.supply_v, board_degc));
}

double inverse(const Chain& chain, const plant::OffsetDividerParams& p, double at_v, double board_degc) {
  if (p.diode_leak_a > 0) return bisected(chain, at_v, board_degc);
  const double through_a = at_v / p.r_bottom_ohm + leak_a(chain.network, at_v, chain.supply_v, board_degc);
  if (!(through_a > 0)) return kNone;
  return at_v + p.diode_v + p.diode_tempco_v_per_k * (board_degc - kRoomDegc) +
         p.knee_v * std::log(through_a / p.diode_test_a) + p.diode_series_ohm * (through_a - p.diode_test_a) +
         p.r_top_ohm * through_a;
}

double inverse(const Chain& chain, const plant::ThermistorInputParams& /*p*/, double at_v, double board_degc) {
  return bisected(chain, at_v, board_degc);
}

double inverse(const Chain& chain, const plant::ShuntAmplifierParams& p, double at_v, double board_degc) {
  const double output_v = at_v + p.r_out_ohm * leak_a(chain.network, at_v, chain.supply_v, board_degc);
  return ((output_v - p.bias_v) / p.gain_v_per_v - p.offset_v) / p.shunt_ohm;
}

void add(std::vector<SetPoint>& points, const char* name, const std::optional<double>& at) {
  if (at) points.push_back({name, *at});
}

}  // namespace

double Chain::reference_v() const {
  switch (reference) {
    case profile::AdcReference::kSupply:
      break;
    case profile::AdcReference::kArefPin:
      return aref_v;
    case profile::AdcReference::kBandGap:
      return band_gap_v;
    case profile::AdcReference::kBandGap2:
      return band_gap_2_v;
  }
  return supply_v;
}

Chain chain_of(const profile::BoardProfile& board, const profile::SenseChannel& channel, int bits) {
  Chain chain;
  chain.network = channel.network;
  chain.supply_v = board.device.supply_v;
  chain.aref_v = board.device.aref_v.value_or(board.device.supply_v);
  chain.band_gap_v = board.device.internal_reference_v;
  chain.band_gap_2_v = board.device.internal_reference_2_v;
  chain.reference = channel.reference;
  chain.adc = board.device.adc;
  chain.bits = bits;
  return chain;
}

const profile::SenseChannel& channel_named(const profile::BoardProfile& board, const std::string& name) {
  const auto at = board.channel_index(name);
  if (at) return board.sense[*at];
  std::vector<std::string> names;
  for (const profile::SenseChannel& channel : board.sense) names.push_back(channel.name);
  throw base::BadInput(board.file, "has no sense channel '" + name + "'" + base::did_you_mean(name, names));
}

double pin_v(const Chain& chain, double sensed, double board_degc) {
  return plant::resting_pin_v(chain.network, sensed, chain.supply_v, board_degc);
}

double position_lsb(const Chain& chain, double sensed, double board_degc) {
  const double of_full = pin_v(chain, sensed, board_degc) / chain.reference_v();
  const double bow = chain.adc.inl_lsb * std::sin(std::numbers::pi * std::clamp(of_full, 0.0, 1.0));
  return chain.codes() * of_full * (1 + chain.adc.gain_error_frac) + chain.adc.offset_lsb + bow;
}

double sensed_at_pin(const Chain& chain, double pin_v, double board_degc) {
  return std::visit([&](const auto& params) { return inverse(chain, params, pin_v, board_degc); },
                    chain.network.network);
}

double sensed_at(const Chain& chain, double position_lsb, double board_degc) {
  return sensed_at_pin(chain, position_lsb / chain.codes() * chain.reference_v(), board_degc);
}

double network_a(const Chain& chain, double sensed, double board_degc) {
  const double at_v = pin_v(chain, sensed, board_degc);
  const double leaked_a = leak_a(chain.network, at_v, chain.supply_v, board_degc);
  if (const auto* divider = std::get_if<plant::DividerParams>(&chain.network.network)) {
    return at_v / divider->r_bottom_ohm + leaked_a;
  }
  if (const auto* offset = std::get_if<plant::OffsetDividerParams>(&chain.network.network)) {
    return at_v / offset->r_bottom_ohm + leaked_a;
  }
  return 0;
}

Words words_for(profile::Quantity quantity) {
  switch (quantity) {
    case profile::Quantity::kBatteryVoltage:
      return {"battery voltage", "V", "V", "v", "mV", "mv"};
    case profile::Quantity::kPanelVoltage:
      return {"panel voltage", "V", "V", "v", "mV", "mv"};
    case profile::Quantity::kBatteryTemperature:
      return {"battery temperature", "°C", "K", "degc", "mK", "mk"};
    case profile::Quantity::kHeatSinkTemperature:
      return {"heat sink temperature", "°C", "K", "degc", "mK", "mk"};
    case profile::Quantity::kChargeCurrent:
      return {"charge current", "A", "A", "a", "mA", "ma"};
    case profile::Quantity::kLoadCurrent:
      return {"load current", "A", "A", "a", "mA", "ma"};
    case profile::Quantity::kBatteryCurrent:
      return {"battery current", "A", "A", "a", "mA", "ma"};
  }
  return {};
}

std::vector<SetPoint> set_points(const profile::BoardProfile& board, const profile::SenseChannel& channel) {
  const profile::Declared& declared = board.declared;
  std::vector<SetPoint> points;
  switch (channel.quantity) {
    case profile::Quantity::kBatteryVoltage:
      add(points, "load disconnect", declared.load_disconnect_v);
      add(points, "load reconnect", declared.load_reconnect_v);
      add(points, "float", declared.float_v);
      add(points, "absorption", declared.absorption_v);
      add(points, "over-voltage", declared.over_voltage_v);
      break;
    case profile::Quantity::kPanelVoltage:
      add(points, "panel at float", declared.float_v);
      add(points, "panel at absorption", declared.absorption_v);
      add(points, "panel at its peak", 1.25 * declared.absorption_v);
      break;
    case profile::Quantity::kBatteryTemperature:
      add(points, "coldest compensated", declared.compensation_lowest_degc);
      add(points, "25 °C", 25.0);
      add(points, "warmest compensated", declared.compensation_highest_degc);
      break;
    case profile::Quantity::kHeatSinkTemperature:
      add(points, "25 °C", 25.0);
      add(points, "derates above", declared.heat_sink_derate_degc);
      add(points, "hottest", declared.heat_sink_hottest_degc);
      break;
    case profile::Quantity::kBatteryCurrent:
      if (declared.rated_load_a) add(points, "rated load", -*declared.rated_load_a);
      [[fallthrough]];
    case profile::Quantity::kChargeCurrent:
      if (declared.rated_charge_a) {
        add(points, "a tenth of the rated charge", 0.1 * *declared.rated_charge_a);
        add(points, "rated charge", declared.rated_charge_a);
      }
      break;
    case profile::Quantity::kLoadCurrent:
      if (declared.rated_load_a) {
        add(points, "a tenth of the rated load", 0.1 * *declared.rated_load_a);
        add(points, "rated load", declared.rated_load_a);
      }
      break;
  }
  if (points.size() < 2) {
    const Chain chain = chain_of(board, channel, 10);
    points = {{"a fifth of the range", sensed_at(chain, 0.2 * chain.codes(), kRoomDegc)},
              {"half of the range", sensed_at(chain, 0.5 * chain.codes(), kRoomDegc)},
              {"four fifths of the range", sensed_at(chain, 0.8 * chain.codes(), kRoomDegc)}};
  }
  std::sort(points.begin(), points.end(), [](const SetPoint& a, const SetPoint& b) { return a.at < b.at; });
  return points;
}

std::size_t main_set_point(const std::vector<SetPoint>& points) {
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (points[i].name == "absorption" || points[i].name == "panel at absorption" || points[i].name == "25 °C")
      return i;
  }
  return points.size() - 1;
}

}  // namespace dawnrig::metering
