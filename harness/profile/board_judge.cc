// Judging a board: pins and sense networks. The declared voltages are in declared_judge.cc.
#include <algorithm>
#include <cmath>
#include <map>

#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/board.pb.h"

namespace dawnrig::profile {
namespace {

using base::number_text;

constexpr double kRoomDegc = 25;
constexpr double kCodes = 1024;
// Far above any pin: what the network would show if nothing held the pin down.
constexpr double kNoClampV = 1000;

std::string in_quotes(std::string_view text) {
  return '"' + std::string(text) + '"';
}

// Which field took which pin first. Pins are told apart as pins, so that "PC0" and "ADC0" are the same one.
class PinUse {
 public:
  PinUse(std::string part, Judge& judge) : part_(std::move(part)), judge_(judge) {}

  void output(const std::string& field, const std::string& name) {
    if (!judge_.trusts(field)) return;
    const auto pin = device::pin_named(part_, name);
    if (!pin) {
      judge_.complain(field, "is " + in_quotes(name) + ", a pin that " + part_ + " does not have");
      return;
    }
    // Ports and ADC inputs share pins: an ADC input counts under its number wherever it has one.
    const auto channel = device::adc_channel_named(part_, name);
    take(channel ? "ADC" + std::to_string(*channel) : std::string(1, pin->port) + std::to_string(pin->bit), field,
         name);
  }

  void input(const std::string& field, const std::string& name) {
    if (!judge_.trusts(field)) return;
    const auto channel = device::adc_channel_named(part_, name);
    if (!channel) {
      const int highest = device::facts_of(part_)->adc_channels - 1;
      judge_.complain(field, "is " + in_quotes(name) + ", no analogue input of " + part_ + ", must be ADC0 to ADC" +
                                 std::to_string(highest));
      return;
    }
    take("ADC" + std::to_string(*channel), field, name);
  }

 private:
  void take(const std::string& pin, const std::string& field, const std::string& name) {
    const auto [first, is_new] = taken_.emplace(pin, field);
    if (!is_new) judge_.complain(field, "is " + in_quotes(name) + ", which " + first->second + " has already");
  }

  std::string part_;
  Judge& judge_;
  std::map<std::string, std::string> taken_;
};

void judge_networks_kind(const SenseChannel& channel, const std::string& field, std::size_t index, Judge& judge) {
  if (!judge.trusts(sense_path(index) + ".quantity") || !judge.trusts(field)) return;
  const bool thermistor = std::holds_alternative<plant::ThermistorInputParams>(channel.network.network);
  const bool temperature = is_temperature(channel.quantity);
  const bool amplifier = std::holds_alternative<plant::ShuntAmplifierParams>(channel.network.network);
  if (amplifier != is_current(channel.quantity)) {
    judge.complain(field, amplifier ? "measures a current, but the quantity is none"
                                    : "does not measure a current, which takes a shunt_amplifier");
    return;
  }
  if (thermistor && !temperature) judge.complain(field, "measures a temperature, but the quantity is a voltage");
  if (!thermistor && temperature) judge.complain(field, "measures a voltage, but the quantity is a temperature");
}

// The device regulates by this channel: it must see everything from the load's disconnection to the over-voltage limit.
void judge_range(const BoardProfile& board, const SenseChannel& channel, const std::string& field, Judge& judge) {
  if (!judge.trusts(field) || !judge.trusts("mcu.supply_v")) return;
  if (std::holds_alternative<plant::ThermistorInputParams>(channel.network.network)) return;
  const double full_v = std::min(board.device.supply_v, board.device.aref_v.value_or(board.device.supply_v));
  const char* what = full_v < board.device.supply_v ? "reference" : "supply";
  const auto pin_at = [&](double node_v) {
    return plant::resting_pin_v(channel.network, node_v, kNoClampV, kRoomDegc);
  };
  const double limit_v = board.declared.over_voltage_v;
  if (judge.trusts("declared.over_voltage_v") && pin_at(limit_v) >= full_v) {
    judge.complain(field, "puts the pin at " + number_text(pin_at(limit_v), 3) + " V at over_voltage_v (" +
                              number_text(limit_v) + "), must stay below the " + what + " of " + number_text(full_v) +
                              " V: the device could not see the limit");
  }
  const double empty_v = board.declared.load_disconnect_v.value_or(0);
  if (judge.trusts("declared.load_disconnect_v") && pin_at(empty_v) < full_v / kCodes) {
    judge.complain(field, "reads zero at load_disconnect_v (" + number_text(empty_v) +
                              "): the device could not see the battery discharge");
  }
}

// A channel for a current must see what the maker declares, within the amplifier's clamps and the converter's range.
void judge_current_range(const BoardProfile& board, const SenseChannel& channel, const std::string& field,
                         Judge& judge) {
  const auto* amplifier = std::get_if<plant::ShuntAmplifierParams>(&channel.network.network);
  if (amplifier == nullptr || !judge.trusts(field) || !judge.trusts("mcu.supply_v")) return;
  const double supply_v = board.device.supply_v;
  const double full_v = std::min(supply_v - amplifier->headroom_v, board.device.aref_v.value_or(supply_v));
  const auto judge_at = [&](const char* name, const std::optional<double>& rated_a, double sign) {
    if (!rated_a || !judge.trusts(field) || !judge.trusts(std::string("declared.") + name)) return;
    const double wanted_v =
        amplifier->bias_v + amplifier->gain_v_per_v * (amplifier->shunt_ohm * sign * *rated_a + amplifier->offset_v);
    if (wanted_v < full_v && wanted_v > amplifier->lowest_v) return;
    judge.complain(field, "would put the pin at " + number_text(wanted_v, 3) + " V at " + name + " (" +
                              number_text(*rated_a) + "), must be within " + number_text(amplifier->lowest_v, 3) +
                              " to " + number_text(full_v, 3) + " V: the device could not see the current");
  };
  const bool battery = channel.quantity == Quantity::kBatteryCurrent;
  if (battery || channel.quantity == Quantity::kChargeCurrent) {
    judge_at("rated_charge_a", board.declared.rated_charge_a, 1);
  }
  if (battery || channel.quantity == Quantity::kLoadCurrent) {
    judge_at("rated_load_a", board.declared.rated_load_a, battery ? -1 : 1);
  }
}

// The device follows the battery's temperature, or its heat sink's, by this channel: over the declared window it must
// stay off the ends of the converter's range, and off what a lost thermistor reads.
void judge_thermistor_range(const BoardProfile& board, const SenseChannel& channel, const std::string& field,
                            Judge& judge) {
  if (!judge.trusts(field) || !judge.trusts("mcu.supply_v")) return;
  if (!std::holds_alternative<plant::ThermistorInputParams>(channel.network.network)) return;
  constexpr double kCodesApart = 4;
  const double supply_v = board.device.supply_v;
  const double full_v = std::min(supply_v, board.device.aref_v.value_or(supply_v));
  const double apart_v = kCodesApart * full_v / kCodes;
  const auto pin_at = [&](double degc, plant::SenseFaultKind fault) {
    return plant::resting_pin_v(channel.network, degc, supply_v, kRoomDegc, fault);
  };
  plant::Problems any;
  channel.network.check(any);
  if (!any.empty()) return;  // said by judge_models()
  const auto judge_at = [&](const char* name, const std::optional<double>& degc) {
    if (!degc || !judge.trusts(field) || !judge.trusts(std::string("declared.") + name)) return;
    const std::string where = " V at " + std::string(name) + " (" + number_text(*degc) + ")";
    const double pin_v = pin_at(*degc, plant::SenseFaultKind::kNone);
    if (pin_v > full_v - apart_v || pin_v < apart_v) {
      judge.complain(field, "puts the pin at " + number_text(pin_v, 3) + where + ", must be 4 codes inside 0 to " +
                                number_text(full_v) + " V: the device could not follow the temperature");
    } else if (std::fabs(pin_v - pin_at(*degc, plant::SenseFaultKind::kOpen)) < apart_v) {
      judge.complain(field, "puts the pin at " + number_text(pin_v, 3) + where +
                                ", which is what an open thermistor reads: the device could not tell");
    }
  };
  if (channel.quantity == Quantity::kHeatSinkTemperature) {
    judge_at("heat_sink_derate_degc", board.declared.heat_sink_derate_degc);
    judge_at("heat_sink_hottest_degc", board.declared.heat_sink_hottest_degc);
    return;
  }
  judge_at("compensation_lowest_degc", board.declared.compensation_lowest_degc);
  judge_at("compensation_highest_degc", board.declared.compensation_highest_degc);
}

}  // namespace

std::string sense_path(std::size_t index) {
  return "sense[" + std::to_string(index) + "]";
}

std::string network_path(const BoardProfile& board, std::size_t index) {
  const auto& network = board.sense[index].network.network;
  const bool offset = std::holds_alternative<plant::OffsetDividerParams>(network);
  const bool thermistor = std::holds_alternative<plant::ThermistorInputParams>(network);
  if (std::holds_alternative<plant::ShuntAmplifierParams>(network)) return sense_path(index) + ".shunt_amplifier";
  return sense_path(index) + (thermistor ? ".thermistor" : offset ? ".offset_divider" : ".divider");
}

void judge_pins(const proto::BoardProfile& written, const BoardProfile& board, Judge& judge) {
  if (!judge.trusts("mcu.part")) return;
  const std::string& part = board.device.part;
  if (!device::facts_of(part)) {
    judge.complain("mcu.part",
                   "is " + in_quotes(part) + ", an unknown part" + base::did_you_mean(part, device::known_parts()));
    return;
  }
  PinUse use(part, judge);
  use.output("gate.pin", written.gate().pin());
  use.output("load_output.pin", written.load_output().pin());
  use.output("fault_output.pin", written.fault_output().pin());
  for (int i = 0; i < written.sense_size(); ++i) {
    use.input(sense_path(static_cast<std::size_t>(i)) + ".adc_pin", written.sense(i).adc_pin());
  }
}

void judge_sense(const BoardProfile& board, Judge& judge) {
  if (judge.trusts("mcu.aref_v") && judge.trusts("mcu.supply_v") && *board.device.aref_v > board.device.supply_v) {
    judge.complain("mcu.aref_v", "is " + number_text(*board.device.aref_v) + ", must be at most supply_v (" +
                                     number_text(board.device.supply_v) + ")");
  }
  std::map<std::string, std::size_t, std::less<>> names;
  bool all_known = true;
  for (std::size_t i = 0; i < board.sense.size(); ++i) {
    const std::string path = sense_path(i);
    const SenseChannel& channel = board.sense[i];
    const auto [first, is_new] = names.emplace(channel.name, i);
    if (!is_new && judge.trusts(path + ".name")) {
      judge.complain(path + ".name", "is " + in_quotes(channel.name) + ", the name of " + sense_path(first->second));
    }
    all_known = all_known && judge.trusts(path + ".quantity");
    judge_networks_kind(channel, network_path(board, i), i, judge);
    if (channel.quantity == Quantity::kBatteryVoltage) judge_range(board, channel, network_path(board, i), judge);
    judge_current_range(board, channel, network_path(board, i), judge);
    if (is_temperature(channel.quantity)) {
      judge_thermistor_range(board, channel, network_path(board, i), judge);
    }
  }
  if (!board.sense.empty() && all_known && board.channel_for(Quantity::kBatteryVoltage) == nullptr) {
    judge.complain("sense", "has no channel with quantity BATTERY_VOLTAGE: the device could not regulate");
  }
}

}  // namespace dawnrig::profile
