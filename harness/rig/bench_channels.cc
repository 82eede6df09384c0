#include "harness/rig/bench_channels.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"

namespace dawnrig::rig {

namespace {

constexpr double kFullScale = 65535.0;
constexpr double kPerMicro = 1e-6;

// None: what warms a real device's heat sink is not at the end of a wire, so its own sensor stays in place.
std::optional<std::size_t> output_for(profile::Quantity quantity) {
  switch (quantity) {
    case profile::Quantity::kBatteryVoltage:
      return 0;
    case profile::Quantity::kPanelVoltage:
      return 1;
    case profile::Quantity::kBatteryTemperature:
      return 3;
    case profile::Quantity::kHeatSinkTemperature:
      return std::nullopt;
    case profile::Quantity::kChargeCurrent:
    case profile::Quantity::kLoadCurrent:
    case profile::Quantity::kBatteryCurrent:
      break;
  }
  return 2;
}

double node_of(plant::SenseNode node, const plant::Probes& probes) {
  switch (node) {
    case plant::SenseNode::kBus:
      return probes.bus_v;
    case plant::SenseNode::kPanelInput:
      return probes.input_v;
    case plant::SenseNode::kBatteryTemperature:
      return probes.battery_degc;
    case plant::SenseNode::kStageTemperature:
      return probes.stage_degc;
    case plant::SenseNode::kChargeCurrent:
      return probes.charge_a;
    case plant::SenseNode::kBatteryCurrent:
      return probes.battery_a;
    case plant::SenseNode::kLoadCurrent:
      break;
  }
  return probes.switched_a;
}

}  // namespace

double output_v(const link::OutputCalibration& output, std::uint16_t code_lsb) {
  const double x = static_cast<double>(code_lsb) / kFullScale;
  return kPerMicro * (output.zero_uv + output.span_uv * x + output.bow_uv * 4.0 * x * (1.0 - x));
}

std::uint16_t output_code(const link::OutputCalibration& output, double wanted_v) {
  // The bow is small against the span, so that a few corrections of the straight line settle it.
  const double span_v = std::max(1e-6, kPerMicro * output.span_uv);
  double x = 0;
  for (int i = 0; i < 4; ++i) {
    x = std::clamp((wanted_v - kPerMicro * (output.zero_uv + output.bow_uv * 4.0 * x * (1.0 - x))) / span_v, 0.0, 1.0);
  }
  return static_cast<std::uint16_t>(std::lround(x * kFullScale));
}

double readback_v(const link::ReadbackCalibration& readback, double code_lsb) {
  return kPerMicro * (readback.zero_uv + readback.span_uv * code_lsb / 1024.0);
}

ChannelMap::ChannelMap(const profile::BoardProfile& board, Injection injection) : injection_{injection} {
  for (std::size_t i = 0; i < board.sense.size(); ++i) {
    const std::optional<std::size_t> wanted = output_for(board.sense[i].quantity);
    if (!wanted) continue;
    const std::size_t output = *wanted;
    if (sense_[output]) {
      throw base::BadInput(board.file, "\"" + board.sense[*sense_[output]].name + "\" and \"" + board.sense[i].name +
                                           "\" would both need the interface board's one output for a " +
                                           std::string{link::channel_name(output)} +
                                           "; run this board on the virtual rig");
    }
    sense_[output] = i;
    network_[output].emplace(board.sense[i].network);
  }
}

std::uint32_t ChannelMap::connected() const {
  std::uint32_t sum = 0;
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    sum |= sense_[c] ? 1U << c : 0U;
  }
  return sum;
}

std::uint32_t ChannelMap::two_level() const {
  return connected() & 0x7U;  // a thermistor knows nothing of the gate
}

std::array<double, link::kChannels> ChannelMap::carried_v(const plant::CircuitState& state, const plant::Probes& probes,
                                                          const plant::Conditions& conditions) const {
  std::array<double, link::kChannels> volts{};
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    if (!sense_[c]) continue;
    const plant::SenseFaultKind fault = conditions.sense_faults[*sense_[c]];
    const bool as_filtered = injection_ == Injection::kAtPin || fault == plant::SenseFaultKind::kStuck;
    if (as_filtered) {
      volts[c] = state.sense_v[*sense_[c]];
      continue;
    }
    if (fault == plant::SenseFaultKind::kShortToGround || fault == plant::SenseFaultKind::kShortToSupply) {
      volts[c] = fault == plant::SenseFaultKind::kShortToSupply ? conditions.supply_v : 0.0;
      continue;
    }
    const double node_v_or_degc_or_a = node_of(network_[c]->node(), probes);
    const plant::SenseWorld world{
        node_v_or_degc_or_a, node_v_or_degc_or_a, conditions.ambient_degc, conditions.supply_v, fault,
        node_v_or_degc_or_a};
    volts[c] = plant::clamped_pin_v(network_[c]->rest_v(world), conditions.supply_v);
  }
  return volts;
}

std::array<double, link::kChannels> ChannelMap::safe_v(const profile::BoardProfile& board) const {
  // Above every set point, but below what a device takes for a fault.
  const double full_v = 0.5 * (board.declared.absorption_v + board.declared.over_voltage_v);
  const std::array<double, link::kChannels> nodes{full_v, 0.0, 0.0, 25.0};
  std::array<double, link::kChannels> volts{};
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    if (!sense_[c]) continue;
    volts[c] = plant::resting_pin_v(board.sense[*sense_[c]].network, nodes[c], board.device.supply_v, 25.0);
  }
  return volts;
}

}  // namespace dawnrig::rig
