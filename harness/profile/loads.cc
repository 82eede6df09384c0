// Loads out of their schema, the files they name, and what no single field of a load can show.
#include "harness/base/bad_input.h"
#include "harness/base/hash.h"
#include "harness/profile/load_series.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/site.pb.h"

namespace dawnrig::profile {
namespace {

plant::ConstantPowerParams constant_power_params(const proto::ConstantPower& written) {
  return {.power_w = written.power_w().value(),
          .dropout_v = written.dropout_v().value(),
          .lockout_v = written.lockout_v().value(),
          .restart_v = written.restart_v().value(),
          .restart_delay_s = value(written.has_restart_delay_s(), written.restart_delay_s()).value_or(0.1)};
}

plant::LampParams lamp_params(const proto::Lamp& written) {
  return {.hot_resistance_ohm = written.hot_resistance_ohm().value(),
          .cold_resistance_ohm = written.cold_resistance_ohm().value(),
          .rated_v = written.rated_v().value(),
          .time_constant_s = written.time_constant_s().value(),
          .radiated_frac = written.radiated_frac().value()};
}

plant::MotorParams motor_params(const proto::Motor& written) {
  return {.winding_ohm = written.winding_ohm().value(),
          .emf_v_s = written.emf_v_s().value(),
          .inertia_kgm2 = written.inertia_kgm2().value(),
          .rated_v = written.rated_v().value(),
          .running_a = written.running_a().value()};
}

plant::PulsedParams pulsed_params(const proto::Pulsed& written) {
  return {.transmit_a = written.transmit_a().value(),
          .receive_a = written.receive_a().value(),
          .transmit = from_seconds(written.transmit_s().value()),
          .period = from_seconds(written.period_s().value()),
          .dropout_v = value(written.has_dropout_v(), written.dropout_v()).value_or(1)};
}

}  // namespace

std::string load_path(std::size_t index) {
  return "load[" + std::to_string(index) + "]";
}

plant::LoadParams load_params(const proto::Load& written) {
  plant::LoadParams params;
  params.unswitched = written.unswitched();
  switch (written.kind_case()) {
    case proto::Load::kResistive:
      params.kind = plant::ResistiveParams{written.resistive().resistance_ohm().value()};
      break;
    case proto::Load::kConstantCurrent: {
      const proto::ConstantCurrent& load = written.constant_current();
      params.kind = plant::ConstantCurrentParams{load.current_a().value(),
                                                 value(load.has_dropout_v(), load.dropout_v()).value_or(1)};
      break;
    }
    case proto::Load::kConstantPower:
      params.kind = constant_power_params(written.constant_power());
      break;
    case proto::Load::kLamp:
      params.kind = lamp_params(written.lamp());
      break;
    case proto::Load::kMotor:
      params.kind = motor_params(written.motor());
      break;
    case proto::Load::kPulsed:
      params.kind = pulsed_params(written.pulsed());
      break;
    case proto::Load::kSeries:
      params.kind = plant::SeriesParams{
          nullptr, value(written.series().has_dropout_v(), written.series().dropout_v()).value_or(1)};
      break;
    case proto::Load::KIND_NOT_SET:  // complained about when the file was read
      break;
  }
  return params;
}

void judge_loads(const proto::SiteProfile& written, Judge& judge) {
  for (int i = 0; i < written.load_size(); ++i) {
    if (!written.load(i).has_constant_power()) continue;
    const std::string path = load_path(static_cast<std::size_t>(i)) + ".constant_power";
    const proto::ConstantPower& load = written.load(i).constant_power();
    if (load.has_lockout_v() && judge.knows_absent(path + ".restart_v")) {
      judge.complain(path + ".restart_v", "is missing: a supply that locks out must say when it comes back");
    }
    if (load.has_lockout_v()) continue;
    for (const char* field : {".restart_v", ".restart_delay_s"}) {
      if (judge.trusts(path + field) && judge.knows_absent(path + ".lockout_v")) {
        judge.complain(path + field, "means nothing without lockout_v");
      }
    }
  }
}

std::vector<base::Complaint> read_load_series_files(const proto::SiteProfile& written, SiteProfile& site,
                                                    Judge& judge) {
  std::vector<base::Complaint> complaints;
  std::string hashes;
  for (int i = 0; i < written.load_size(); ++i) {
    if (!written.load(i).has_series()) continue;
    const std::string field = load_path(static_cast<std::size_t>(i)) + ".series.file";
    auto& params = std::get<plant::SeriesParams>(site.loads[static_cast<std::size_t>(i)].params.kind);
    // For the checks to go on with, where there is nothing better: they are about everything else.
    auto series = std::make_shared<plant::LoadSeries>();
    series->points.push_back({});
    if (judge.trusts(field)) {
      const proto::Series& load = written.load(i).series();
      const std::filesystem::path file = std::filesystem::path(site.file).parent_path() / load.file();
      try {
        series = read_load_series(file, value(load.has_longest_gap_s(), load.longest_gap_s()));
        series->repeats = load.repeats();
        hashes += base::sha256_of_file(file);
      } catch (const base::BadInput& fault) {
        for (const base::Complaint& complaint : fault.complaints()) {
          if (complaint.line > 0) {
            complaints.push_back(complaint);
          } else {
            judge.complain(field, complaint.text());
          }
        }
      }
    }
    params.series = std::move(series);
  }
  if (!hashes.empty()) site.sha256 = base::sha256_hex(site.sha256 + hashes);
  return complaints;
}

}  // namespace dawnrig::profile
