// Sense networks out of their schema, and what no single field of a network can show.
#include <array>

#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/board.pb.h"

namespace dawnrig::profile {
namespace {

plant::OffsetDividerParams offset_divider_params(const proto::OffsetDivider& written) {
  return {.diode_v = written.diode_v().value(),
          .diode_test_a = written.diode_test_a().value(),
          .knee_v = written.knee_v().value(),
          .diode_series_ohm = written.diode_series_ohm().value(),
          .diode_tempco_v_per_k = written.diode_tempco_v_per_k().value(),
          .r_top_ohm = written.r_top_ohm().value(),
          .r_bottom_ohm = written.r_bottom_ohm().value(),
          .capacitance_f = written.capacitance_f().value(),
          .diode_leak_a = written.diode_leak_a().value(),
          .diode_leak_test_v = written.diode_leak_test_v().value(),
          .diode_leak_slope_v = value(written.has_diode_leak_slope_v(), written.diode_leak_slope_v()).value_or(1),
          .diode_leak_doubling_k = written.diode_leak_doubling_k().value()};
}

plant::ThermistorInputParams thermistor_params(const proto::ThermistorInput& written) {
  plant::ThermistorInputParams params{.r_fixed_ohm = written.r_pull_up_ohm().value(),
                                      .r_25_ohm = written.r_25_ohm().value(),
                                      .beta_k = written.beta_k().value(),
                                      .capacitance_f = written.capacitance_f().value(),
                                      .r_series_ohm = written.r_series_ohm().value(),
                                      .r_parallel_ohm = written.r_parallel_ohm().value(),
                                      .to_supply = written.has_r_pull_down_ohm() && !written.has_r_pull_up_ohm(),
                                      .curve = {}};
  if (params.to_supply) params.r_fixed_ohm = written.r_pull_down_ohm().value();
  if (written.has_steinhart_hart()) {
    const proto::SteinhartHart& law = written.steinhart_hart();
    params.curve = plant::SteinhartHart{law.a_per_k().value(), law.b_per_k().value(), law.c_per_k().value()};
  } else if (written.table_size() > 0) {
    plant::ThermistorTable table;
    for (const proto::ThermistorPoint& point : written.table()) {
      if (table.count == plant::ThermistorTable::kMost) break;  // complained about when the file was read
      table.points[table.count++] = {point.degc(), point.r_ohm()};
    }
    params.curve = table;
  }
  return params;
}

plant::ShuntAmplifierParams shunt_amplifier_params(const proto::ShuntAmplifier& written) {
  return {.shunt_ohm = written.shunt_ohm().value(),
          .gain_v_per_v = written.gain_v_per_v().value(),
          .bias_v = written.bias_v().value(),
          .offset_v = written.offset_v().value(),
          .lowest_v = value(written.has_lowest_v(), written.lowest_v()).value_or(0.02),
          .headroom_v = value(written.has_headroom_v(), written.headroom_v()).value_or(0.05),
          .r_out_ohm = written.r_out_ohm().value(),
          .capacitance_f = written.capacitance_f().value()};
}

plant::SenseNode node_of(Quantity quantity) {
  switch (quantity) {
    case Quantity::kBatteryVoltage:
      break;
    case Quantity::kPanelVoltage:
      return plant::SenseNode::kPanelInput;
    case Quantity::kBatteryTemperature:
      return plant::SenseNode::kBatteryTemperature;
    case Quantity::kHeatSinkTemperature:
      return plant::SenseNode::kStageTemperature;
    case Quantity::kChargeCurrent:
      return plant::SenseNode::kChargeCurrent;
    case Quantity::kLoadCurrent:
      return plant::SenseNode::kLoadCurrent;
    case Quantity::kBatteryCurrent:
      return plant::SenseNode::kBatteryCurrent;
  }
  return plant::SenseNode::kBus;
}

void judge_thermistor(const proto::ThermistorInput& written, const std::string& path, Judge& judge) {
  const auto absent = [&](const char* field) { return judge.knows_absent(path + field); };
  if (absent(".r_pull_up_ohm") && absent(".r_pull_down_ohm")) {
    judge.complain(path + ".r_pull_up_ohm",
                   "is missing: write it for a thermistor to ground, or r_pull_down_ohm for one to the supply");
  }
  if (written.has_r_pull_up_ohm() && written.has_r_pull_down_ohm()) {
    judge.complain(path + ".r_pull_down_ohm",
                   "cannot stand beside r_pull_up_ohm: the thermistor is to ground or to the "
                   "supply");
  }
  const bool has_beta = written.has_r_25_ohm() || written.has_beta_k();
  if (has_beta || (!written.has_steinhart_hart() && written.table_size() == 0)) {
    for (const char* field : {".r_25_ohm", ".beta_k"}) {
      if (absent(field)) {
        judge.complain(path + field, "is missing: a thermistor has r_25_ohm and beta_k, or steinhart_hart, or a table");
      }
    }
  }
  if (has_beta && written.has_steinhart_hart()) {
    judge.complain(path + ".steinhart_hart", "cannot stand beside r_25_ohm and beta_k: only one law");
  }
  if (written.table_size() > 0 && (has_beta || written.has_steinhart_hart())) {
    judge.complain(path + ".table[0]", "cannot stand beside another law of the thermistor");
  }
}

void judge_offset(const proto::OffsetDivider& written, const std::string& path, Judge& judge) {
  if (written.has_diode_leak_a() && judge.knows_absent(path + ".diode_leak_test_v")) {
    judge.complain(path + ".diode_leak_test_v",
                   "is missing: diode_leak_a means nothing without the voltage it leaks at");
  }
  for (const char* field : {".diode_leak_test_v", ".diode_leak_slope_v", ".diode_leak_doubling_k"}) {
    if (judge.trusts(path + field) && judge.knows_absent(path + ".diode_leak_a")) {
      judge.complain(path + field, "means nothing without diode_leak_a");
    }
  }
}

}  // namespace

Quantity quantity_of(const proto::SenseChannel& written) {
  switch (written.quantity()) {
    case proto::PANEL_VOLTAGE:
      return Quantity::kPanelVoltage;
    case proto::BATTERY_TEMPERATURE:
      return Quantity::kBatteryTemperature;
    case proto::HEAT_SINK_TEMPERATURE:
      return Quantity::kHeatSinkTemperature;
    case proto::CHARGE_CURRENT:
      return Quantity::kChargeCurrent;
    case proto::LOAD_CURRENT:
      return Quantity::kLoadCurrent;
    case proto::BATTERY_CURRENT:
      return Quantity::kBatteryCurrent;
    default:
      return Quantity::kBatteryVoltage;
  }
}

plant::SenseParams network_params(const proto::SenseChannel& written) {
  plant::SenseParams params;
  params.node = node_of(quantity_of(written));
  params.pin_leak_a = written.pin_leak_a().value();
  params.pin_leak_doubling_k = written.pin_leak_doubling_k().value();
  if (written.has_thermistor()) {
    params.network = thermistor_params(written.thermistor());
  } else if (written.has_shunt_amplifier()) {
    params.network = shunt_amplifier_params(written.shunt_amplifier());
  } else if (written.has_offset_divider()) {
    params.network = offset_divider_params(written.offset_divider());
  } else {
    const proto::Divider& divider = written.divider();
    params.network = plant::DividerParams{.r_top_ohm = divider.r_top_ohm().value(),
                                          .r_bottom_ohm = divider.r_bottom_ohm().value(),
                                          .capacitance_f = divider.capacitance_f().value()};
  }
  return params;
}

void judge_networks(const proto::BoardProfile& written, Judge& judge) {
  for (int i = 0; i < written.sense_size(); ++i) {
    const std::string path = sense_path(static_cast<std::size_t>(i));
    if (written.sense(i).has_thermistor()) {
      judge_thermistor(written.sense(i).thermistor(), path + ".thermistor", judge);
    }
    if (written.sense(i).has_offset_divider()) {
      judge_offset(written.sense(i).offset_divider(), path + ".offset_divider", judge);
    }
  }
}

}  // namespace dawnrig::profile
