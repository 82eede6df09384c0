// Scenario files to checked timelines.
#include <algorithm>

#include "harness/base/text.h"
#include "harness/base/textproto.h"
#include "harness/scenario/sky_reading.h"
#include "harness/scenario/stimulus.h"
#include "proto/scenario.pb.h"

namespace dawnrig::scenario {
namespace {

plant::SenseFaultKind kind_of(proto::SenseFault::Kind kind) {
  switch (kind) {
    case proto::SenseFault::OPEN:
      return plant::SenseFaultKind::kOpen;
    case proto::SenseFault::SHORT_TO_GROUND:
      return plant::SenseFaultKind::kShortToGround;
    case proto::SenseFault::SHORT_TO_SUPPLY:
      return plant::SenseFaultKind::kShortToSupply;
    case proto::SenseFault::STUCK:
      return plant::SenseFaultKind::kStuck;
    default:
      return plant::SenseFaultKind::kNone;
  }
}

plant::SwitchFaultKind kind_of(proto::SwitchFault::Kind kind) {
  if (kind == proto::SwitchFault::STUCK_OPEN) return plant::SwitchFaultKind::kStuckOpen;
  if (kind == proto::SwitchFault::STUCK_CLOSED) return plant::SwitchFaultKind::kStuckClosed;
  if (kind == proto::SwitchFault::DRIVER_DEAD) return plant::SwitchFaultKind::kDriverDead;
  return plant::SwitchFaultKind::kNone;
}

Connector kind_of(proto::Connector connector) {
  return connector == proto::PANEL_CONNECTOR ? Connector::kPanel : Connector::kBattery;
}

FigureKind kind_of(proto::Check::Figure figure) {
  switch (figure) {
    case proto::Check::HIGHEST:
      return FigureKind::kHighest;
    case proto::Check::LOWEST:
      return FigureKind::kLowest;
    case proto::Check::PEAK_TO_PEAK:
      return FigureKind::kPeakToPeak;
    default:
      return FigureKind::kMean;
  }
}

plant::PanelFaultKind kind_of(proto::PanelFault::Kind kind) {
  if (kind == proto::PanelFault::REVERSED) return plant::PanelFaultKind::kReversed;
  if (kind == proto::PanelFault::SHORTED) return plant::PanelFaultKind::kShorted;
  return plant::PanelFaultKind::kNone;
}

Shade shade_of(const proto::Shade& written) {
  Shade shade;
  for (const proto::Shade::Part& part : written.part()) shade.parts.push_back({part.substring(), part.light_frac()});
  return shade;
}

Change change_of(const proto::Stimulus& at) {
  switch (at.change_case()) {
    case proto::Stimulus::kAmbient:
      return AmbientTemperature{at.ambient().degc()};
    case proto::Stimulus::kBatteryTemperature:
      return BatteryTemperature{at.battery_temperature().degc()};
    case proto::Stimulus::kHeatSinkTemperature:
      return HeatSinkTemperature{at.heat_sink_temperature().degc(), !at.heat_sink_temperature().let_go()};
    case proto::Stimulus::kLoad:
      return LoadSwitching{at.load().name(), at.load().on(), at.load().has_scale() ? at.load().scale() : 1};
    case proto::Stimulus::kBatteryConnector:
      return BatteryConnector{at.battery_connector().closed()};
    case proto::Stimulus::kPanelConnector:
      return PanelConnector{at.panel_connector().closed()};
    case proto::Stimulus::kSenseFault:
      return SenseFault{at.sense_fault().channel(), kind_of(at.sense_fault().kind())};
    case proto::Stimulus::kBatteryResistance:
      return BatteryResistance{at.battery_resistance().factor()};
    case proto::Stimulus::kBatteryCable:
      return BatteryCable{at.battery_cable().factor()};
    case proto::Stimulus::kSupply:
      return Supply{at.supply().supply_v()};
    case proto::Stimulus::kReferenceError:
      return ReferenceError{at.reference_error().error_frac()};
    case proto::Stimulus::kNoise:
      return Noise{at.noise().channel(), at.noise().rms_v()};
    case proto::Stimulus::kSerialInput:
      return SerialInput{at.serial_input().data()};
    case proto::Stimulus::kResetLine:
      return ResetLine{at.reset_line().held_low()};
    case proto::Stimulus::kPowerCycle:
      return PowerCycle{from_seconds(at.power_cycle().off_s())};
    case proto::Stimulus::kSwitchFault:
      return SwitchFault{kind_of(at.switch_fault().kind())};
    case proto::Stimulus::kPanelCable:
      return PanelCable{at.panel_cable().factor()};
    case proto::Stimulus::kCorrosion:
      return Corrosion{kind_of(at.corrosion().connector()), at.corrosion().contact_ohm()};
    case proto::Stimulus::kBounce:
      return Bounce{kind_of(at.bounce().connector()), at.bounce().closed(), at.bounce().closures(),
                    from_seconds(at.bounce().over_s()), at.bounce().seed()};
    case proto::Stimulus::kShade:
      return shade_of(at.shade());
    case proto::Stimulus::kPanelFault:
      return PanelFault{kind_of(at.panel_fault().kind())};
    case proto::Stimulus::kWind:
      return Wind{at.wind().speed_m_per_s()};
    case proto::Stimulus::kSky:  // read by read_skies()
    case proto::Stimulus::kSun:
    case proto::Stimulus::CHANGE_NOT_SET:  // complained about when the file was read
      break;
  }
  return Sun{at.sun().poa_wpm2(), from_seconds(at.sun().over_s())};
}

// Times that make no sense together; each bound of its own was checked when the file was read.
class TimeCheck {
 public:
  TimeCheck(const proto::Scenario& written, base::FileComplaints& complaints)
      : written_(written), complaints_(complaints), duration_known_(trusts("duration_s")) {}

  void all() {
    for (int i = 0; i < written_.at_size(); ++i) {
      within("at[" + std::to_string(i) + "].time_s", written_.at(i).time_s());
    }
    for (int i = 0; i < written_.check_size(); ++i) {
      const std::string path = "check[" + std::to_string(i) + "]";
      const proto::Check& check = written_.check(i);
      const bool ends_in_time = within(path + ".to_s", check.to_s());
      if (!ends_in_time || !trusts(path + ".to_s") || complaints_.mentions(path + ".from_s")) continue;
      if (!(check.from_s() < check.to_s())) {
        complaints_.add(path + ".to_s", "is " + base::number_text(check.to_s()) + ", must be after from_s (" +
                                            base::number_text(check.from_s()) + ")");
      }
    }
  }

 private:
  [[nodiscard]] bool trusts(const std::string& field) const {
    return complaints_.locations.has(field) && !complaints_.mentions(field);
  }
  bool within(const std::string& field, double time_s) {
    if (!duration_known_ || !trusts(field) || time_s <= written_.duration_s()) return true;
    complaints_.add(field, "is " + base::number_text(time_s) + ", must be at most duration_s (" +
                               base::number_text(written_.duration_s()) + ")");
    return false;
  }

  const proto::Scenario& written_;
  base::FileComplaints& complaints_;
  bool duration_known_;
};

Initial initial_of(const proto::Initial& written) {
  Initial initial;
  if (written.has_state_of_charge_frac()) initial.soc_frac = written.state_of_charge_frac();
  if (written.has_battery_degc()) initial.battery_degc = written.battery_degc();
  if (written.has_ambient_degc()) initial.ambient_degc = written.ambient_degc();
  if (written.has_poa_wpm2()) initial.poa_wpm2 = written.poa_wpm2();
  return initial;
}

Recording recording_of(const proto::Recording& written) {
  Recording recording;
  if (written.has_interval_s()) recording.interval = from_seconds(written.interval_s());
  if (written.has_event_window_s()) recording.event_window = from_seconds(written.event_window_s());
  return recording;
}

}  // namespace

Scenario load_scenario(const std::filesystem::path& file) {
  proto::Scenario written;
  base::TextprotoFile read = base::read_textproto(file, written);
  TimeCheck(written, read.complaints).all();
  const std::vector<ReadSky> skies = read_skies(file, written, read.complaints);
  read.complaints.throw_if_any();

  Scenario scenario;
  scenario.name = written.name();
  scenario.highest_level = base::energy_level_of(written.highest_level());
  scenario.file = read.file;
  scenario.sha256 = read.sha256;
  scenario.duration = from_seconds(written.duration_s());
  scenario.seed = written.seed();
  scenario.initial = initial_of(written.initial());
  scenario.recording = recording_of(written.recording());
  for (const proto::Stimulus& at : written.at()) {
    scenario.timeline.push_back({from_seconds(at.time_s()), change_of(at)});
  }
  place_skies(skies, written.initial(), scenario);
  std::stable_sort(scenario.timeline.begin(), scenario.timeline.end(),
                   [](const Stimulus& a, const Stimulus& b) { return a.time < b.time; });
  for (const proto::Check& check : written.check()) {
    scenario.checks.push_back({check.requirement(), check.signal(), kind_of(check.figure()),
                               from_seconds(check.from_s()), from_seconds(check.to_s()), check.minus()});
  }
  return scenario;
}

}  // namespace dawnrig::scenario
