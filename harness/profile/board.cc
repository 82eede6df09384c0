#include <algorithm>
#include <cmath>

#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/board.pb.h"

namespace dawnrig::profile {
namespace {

Polarity polarity_of(proto::Polarity polarity) {
  return polarity == proto::ACTIVE_LOW ? Polarity::kActiveLow : Polarity::kActiveHigh;
}

Pull pull_of(proto::Pull pull) {
  return pull == proto::PULL_UP ? Pull::kUp : Pull::kDown;
}

/// An unknown pin is complained about in judge_pins(); the value taken meanwhile does not matter.
template <class Written>
SwitchPin switch_pin(const std::string& part, const Written& written) {
  return {device::pin_named(part, written.pin()).value_or(device::Pin{}), polarity_of(written.polarity()),
          pull_of(written.pull())};
}

device::DeviceParams device_params(const proto::Microcontroller& mcu) {
  device::DeviceParams params;
  params.part = mcu.part();
  params.clock_hz = std::llround(mcu.clock_hz().value());
  params.supply_v = mcu.supply_v().value();
  params.aref_v = value(mcu.has_aref_v(), mcu.aref_v());
  params.internal_reference_v = value(mcu.has_internal_reference_v(), mcu.internal_reference_v()).value_or(1.1);
  params.internal_reference_2_v = value(mcu.has_internal_reference_2_v(), mcu.internal_reference_2_v()).value_or(2.56);
  params.startup_delay_s = value(mcu.has_startup_delay_s(), mcu.startup_delay_s()).value_or(0.065);
  params.adc.offset_lsb = mcu.adc().offset_lsb().value();
  params.adc.gain_error_frac = mcu.adc().gain_error_frac().value();
  params.adc.inl_lsb = mcu.adc().inl_lsb().value();
  params.adc.noise_lsb = mcu.adc().noise_lsb().value();
  return params;
}

plant::AdcInputParams adc_input_params(const proto::AdcInput& written) {
  return {.sampling_capacitance_f = written.sampling_capacitance_f().value(),
          .switch_ohm = value(written.has_switch_ohm(), written.switch_ohm()).value_or(10e3),
          .acquisition_s = value(written.has_acquisition_s(), written.acquisition_s()).value_or(12e-6)};
}

SenseChannel sense_channel(const std::string& part, const proto::SenseChannel& written) {
  SenseChannel channel;
  channel.name = written.name();
  channel.quantity = quantity_of(written);
  channel.adc_channel = device::adc_channel_named(part, written.adc_pin()).value_or(-1);
  channel.network = network_params(written);
  channel.parts = parts_of(written);
  channel.reference = reference_of(written);
  channel.averaged_codes = std::max(1, written.averaged_codes());
  return channel;
}

void read_stages(const proto::Declared& d, Declared& declared) {
  declared.rebulk_v = value(d.has_rebulk_v(), d.rebulk_v());
  declared.rebulk_delay_s = value(d.has_rebulk_delay_s(), d.rebulk_delay_s());
  declared.absorption_longest_s = value(d.has_absorption_longest_s(), d.absorption_longest_s());
  declared.equalise_v = value(d.has_equalise_v(), d.equalise_v());
  declared.equalise_longest_s = value(d.has_equalise_longest_s(), d.equalise_longest_s());
  declared.charge_coldest_degc = value(d.has_charge_coldest_degc(), d.charge_coldest_degc());
  declared.charge_hottest_degc = value(d.has_charge_hottest_degc(), d.charge_hottest_degc());
  declared.charge_resume_k = value(d.has_charge_resume_k(), d.charge_resume_k()).value_or(5);
  declared.heat_sink_derate_degc = value(d.has_heat_sink_derate_degc(), d.heat_sink_derate_degc());
  declared.heat_sink_hottest_degc = value(d.has_heat_sink_hottest_degc(), d.heat_sink_hottest_degc());
  declared.heat_sink_resume_k = value(d.has_heat_sink_resume_k(), d.heat_sink_resume_k()).value_or(10);
  declared.regulation_hysteresis_v = value(d.has_regulation_hysteresis_v(), d.regulation_hysteresis_v());
  declared.flag_delay_s = value(d.has_flag_delay_s(), d.flag_delay_s());
}

void read_load_output(const proto::Declared& d, Declared& declared) {
  declared.load_compensation_ohm = value(d.has_load_compensation_ohm(), d.load_compensation_ohm());
  declared.load_holdoff_s = value(d.has_load_holdoff_s(), d.load_holdoff_s());
  declared.load_high_v = value(d.has_load_high_v(), d.load_high_v());
  declared.load_high_delay_s = value(d.has_load_high_delay_s(), d.load_high_delay_s());
  declared.load_overload_a = value(d.has_load_overload_a(), d.load_overload_a());
  declared.load_overload_delay_s = value(d.has_load_overload_delay_s(), d.load_overload_delay_s());
  declared.load_short_a = value(d.has_load_short_a(), d.load_short_a());
  declared.load_short_delay_s = value(d.has_load_short_delay_s(), d.load_short_delay_s());
  declared.load_tries = d.load_tries();
  declared.load_tries_over_s = value(d.has_load_tries_over_s(), d.load_tries_over_s());
  declared.lighting_delay_s = value(d.has_lighting_delay_s(), d.lighting_delay_s());
}

Declared declared_of(const proto::Declared& d) {
  Declared declared;
  declared.nominal_v = d.nominal_v().value();
  declared.absorption_v = d.absorption_v().value();
  declared.float_v = value(d.has_float_v(), d.float_v());
  declared.absorption_time_s = value(d.has_absorption_time_s(), d.absorption_time_s());
  declared.compensation_v_per_k = value(d.has_compensation_v_per_k(), d.compensation_v_per_k());
  declared.compensation_lowest_degc = value(d.has_compensation_lowest_degc(), d.compensation_lowest_degc());
  declared.compensation_highest_degc = value(d.has_compensation_highest_degc(), d.compensation_highest_degc());
  declared.sensor_fault_v = value(d.has_sensor_fault_v(), d.sensor_fault_v());
  declared.over_voltage_v = d.over_voltage_v().value();
  declared.over_voltage_delay_s = value(d.has_over_voltage_delay_s(), d.over_voltage_delay_s());
  declared.load_disconnect_v = value(d.has_load_disconnect_v(), d.load_disconnect_v());
  declared.load_disconnect_delay_s = value(d.has_load_disconnect_delay_s(), d.load_disconnect_delay_s());
  declared.load_reconnect_v = value(d.has_load_reconnect_v(), d.load_reconnect_v());
  declared.load_reconnect_delay_s = value(d.has_load_reconnect_delay_s(), d.load_reconnect_delay_s());
  declared.sense_fault_delay_s = value(d.has_sense_fault_delay_s(), d.sense_fault_delay_s());
  declared.stuck_sense_delay_s = value(d.has_stuck_sense_delay_s(), d.stuck_sense_delay_s());
  declared.night_delay_s = value(d.has_night_delay_s(), d.night_delay_s());
  declared.rated_charge_a = value(d.has_rated_charge_a(), d.rated_charge_a());
  declared.rated_load_a = value(d.has_rated_load_a(), d.rated_load_a());
  declared.watchdog_s = value(d.has_watchdog_s(), d.watchdog_s());
  read_stages(d, declared);
  read_load_output(d, declared);
  declared.settle_s = value(d.has_settle_s(), d.settle_s()).value_or(30);
  declared.startup_s = value(d.has_startup_s(), d.startup_s()).value_or(5);
  declared.regulation = d.regulation();
  return declared;
}

Purpose purpose_of(proto::Instruction::Purpose purpose) {
  switch (purpose) {
    case proto::Instruction::EQUALISE:
      return Purpose::kEqualise;
    case proto::Instruction::LIGHTING:
      return Purpose::kLighting;
    case proto::Instruction::SEALED_BATTERY:
      return Purpose::kSealedBattery;
    case proto::Instruction::FLOODED_BATTERY:
      return Purpose::kFloodedBattery;
    case proto::Instruction::BAD_SETTING:
      return Purpose::kBadSetting;
    case proto::Instruction::TIME_LAPSE:
      return Purpose::kTimeLapse;
    case proto::Instruction::LOAD_AGAIN:
      return Purpose::kLoadAgain;
    default:
      return Purpose::kFlood;
  }
}

Counter counter_of(const proto::Counter& written) {
  Counter counter;
  counter.width_bytes = written.width_bytes();
  if (written.has_address()) {
    counter.place = written.address();
  } else {
    counter.place = written.symbol();
  }
  return counter;
}

LifeEvent event_of(proto::LifeCounter::Event event) {
  switch (event) {
    case proto::LifeCounter::DAY_WITHOUT_EQUALISING:
      return LifeEvent::kDayWithoutEqualising;
    case proto::LifeCounter::LOAD_DISCONNECT:
      return LifeEvent::kLoadDisconnect;
    case proto::LifeCounter::LOAD_OVERLOAD:
      return LifeEvent::kLoadOverload;
    default:
      return LifeEvent::kDay;
  }
}

void read_long_life(const proto::Hooks& written, Hooks& hooks) {
  if (written.has_dark_counter()) hooks.dark_counter = counter_of(written.dark_counter());
  for (const proto::LifeCounter& counter : written.life_counter()) {
    hooks.life_counters.push_back({event_of(counter.event()), counter.pattern(), counter.highest().value()});
  }
  if (written.has_time_lapse()) {
    const proto::TimeLapse& lapse = written.time_lapse();
    hooks.time_lapse = {lapse.factor().value(), lapse.absorption_time_s().value(), lapse.equalise_days()};
  }
}

Hooks hooks_of(const proto::Hooks& written) {
  Hooks hooks;
  if (written.has_millisecond_counter()) hooks.millisecond_counter = counter_of(written.millisecond_counter());
  read_long_life(written, hooks);
  for (const proto::Instruction& instruction : written.instruction()) {
    hooks.instructions.push_back({purpose_of(instruction.purpose()), instruction.text()});
  }
  hooks.serial_baud = std::llround(value(written.has_serial_baud(), written.serial_baud()).value_or(9600));
  hooks.readings = readings_of(written);
  return hooks;
}

std::optional<std::vector<std::uint8_t>> eeprom_of(const std::string& part, const BoardProfile& board,
                                                   const std::string& field, const std::string& file, Judge& judge) {
  const auto facts = device::facts_of(part);
  if (!judge.trusts(field) || !facts) return std::nullopt;
  const std::filesystem::path image = std::filesystem::path(board.file).parent_path() / file;
  try {
    return device::load_eeprom_hex(image, facts->eeprom_bytes);
  } catch (const base::BadInput& fault) {
    for (const base::Complaint& complaint : fault.complaints()) judge.complain(field, complaint.text());
  }
  return std::nullopt;
}

void read_settings_images(const proto::BoardProfile& written, BoardProfile& board, Judge& judge) {
  for (int i = 0; i < written.hooks().settings_image_size(); ++i) {
    const proto::SettingsImage& image = written.hooks().settings_image(i);
    const std::string path = "hooks.settings_image[" + std::to_string(i) + "]";
    const auto bytes = eeprom_of(written.mcu().part(), board, path + ".file", image.file(), judge);
    if (bytes) {
      board.hooks.settings_images.push_back(
          {image.name(), *bytes, image.absorption_v().value(), image.counters_almost_full()});
    }
  }
}

void judge_networks(const BoardProfile& board, Judge& judge) {
  for (std::size_t i = 0; i < board.sense.size(); ++i) {
    plant::Problems network;
    board.sense[i].network.check(network);
    plant::Problems of_fields;
    for (const plant::Problem& problem : network.list()) {
      // The file has no such field: judge_sense() says the same in the words of the file.
      if (problem.field != "node") of_fields.add(problem.field, problem.message);
    }
    judge.pass_on(of_fields, sense_path(i));
  }
}

}  // namespace

BoardProfile load_board(const std::filesystem::path& file) {
  proto::BoardProfile written;
  base::TextprotoFile read = base::read_textproto(file, written);
  BoardProfile board;
  board.file = read.file;
  board.sha256 = read.sha256;
  board.name = written.name();
  board.revision = written.revision();
  board.device = device_params(written.mcu());
  board.gate = switch_pin(written.mcu().part(), written.gate());
  board.device.watched.push_back(board.gate.pin);
  if (written.has_load_output()) {
    board.load_output = switch_pin(written.mcu().part(), written.load_output());
    board.load_switch_ohm = written.load_output().on_resistance_ohm().value();
    board.device.watched.push_back(board.load_output->pin);
  }
  if (written.has_fault_output()) {
    board.fault_output = switch_pin(written.mcu().part(), written.fault_output());
    board.device.watched.push_back(board.fault_output->pin);
  }
  board.stage = stage_params(written.stage());
  if (written.mcu().has_adc_input()) board.adc_input = adc_input_params(written.mcu().adc_input());
  board.converter = parts_of(written.mcu());
  for (const proto::SenseChannel& channel : written.sense()) {
    board.sense.push_back(sense_channel(written.mcu().part(), channel));
  }
  board.declared = declared_of(written.declared());
  board.hooks = hooks_of(written.hooks());
  board.highest_level = base::energy_level_of(written.highest_level());

  Judge judge(read.complaints);
  judge_pins(written, board, judge);
  judge_networks(written, judge);
  judge_metering(written, board, judge);
  judge_sense(board, judge);
  judge_stage(written.stage(), board.stage, judge);
  judge_networks(board, judge);
  judge_declared(board, judge);
  board.eeprom = eeprom_of(written.mcu().part(), board, "mcu.eeprom_image", written.mcu().eeprom_image(), judge);
  read_settings_images(written, board, judge);
  read.complaints.throw_if_any();
  return board;
}

}  // namespace dawnrig::profile
