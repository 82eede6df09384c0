#include "harness/rig/world.h"

#include <algorithm>
#include <variant>

#include "harness/base/bad_input.h"
#include "plant/wiring/bounce.h"

namespace dawnrig::rig {

World::World(const profile::BoardProfile& board, const profile::SiteProfile& site, const scenario::Initial& initial,
             std::uint64_t seed)
    : board_{board}, site_{site}, daylight_{initial.poa_wpm2, initial.ambient_degc.value_or(site.ambient_degc), seed} {
  rest_.soc_frac = initial.soc_frac;
  rest_.ambient_degc = initial.ambient_degc.value_or(site_.ambient_degc);
  rest_.battery_degc = initial.battery_degc.value_or(rest_.ambient_degc);
  rest_.poa_wpm2 = initial.poa_wpm2;
  light_up();
  conditions_.supply_v = board_.device.supply_v;
  if (initial.battery_degc) {
    conditions_.battery_held_at_temperature = true;
    conditions_.battery_held_degc = *initial.battery_degc;
  }
  for (std::size_t i = 0; i < site_.loads.size(); ++i) {
    conditions_.loads[i].on = site_.loads[i].on_at_start;
  }
}

void World::check(const scenario::Change& change) const {
  if (const auto* load = std::get_if<scenario::LoadSwitching>(&change)) {
    static_cast<void>(load_index(load->name));
  } else if (const auto* fault = std::get_if<scenario::SenseFault>(&change)) {
    static_cast<void>(channel_index(fault->channel));
  } else if (const auto* noise = std::get_if<scenario::Noise>(&change)) {
    static_cast<void>(channel_index(noise->channel));
  } else if (const auto* shade = std::get_if<scenario::Shade>(&change)) {
    for (const scenario::Shade::Part& part : shade->parts) profile::demand_substring(site_, part.substring);
  }
}

void World::apply(const scenario::Change& change, Nanos now) {
  if (daylight_.apply(change, now)) {
    light_up();
  } else if (const auto* panel_fault = std::get_if<scenario::PanelFault>(&change)) {
    conditions_.panel_fault = panel_fault->kind;
  } else if (const auto* battery = std::get_if<scenario::BatteryTemperature>(&change)) {
    conditions_.battery_held_at_temperature = true;
    conditions_.battery_held_degc = battery->degc;
  } else if (const auto* heat_sink = std::get_if<scenario::HeatSinkTemperature>(&change)) {
    conditions_.stage_held_at_temperature = heat_sink->held;
    if (heat_sink->held) conditions_.stage_held_degc = heat_sink->degc;
  } else if (const auto* load = std::get_if<scenario::LoadSwitching>(&change)) {
    conditions_.loads[load_index(load->name)] = {load->on, load->scale};
  } else if (const auto* connector = std::get_if<scenario::BatteryConnector>(&change)) {
    settle(scenario::Connector::kBattery, connector->closed);
  } else if (const auto* panel = std::get_if<scenario::PanelConnector>(&change)) {
    settle(scenario::Connector::kPanel, panel->closed);
  } else if (const auto* sense = std::get_if<scenario::SenseFault>(&change)) {
    conditions_.sense_faults[channel_index(sense->channel)] = sense->kind;
  } else if (const auto* resistance = std::get_if<scenario::BatteryResistance>(&change)) {
    conditions_.battery_resistance_scale = resistance->factor;
  } else if (const auto* cable = std::get_if<scenario::BatteryCable>(&change)) {
    conditions_.battery_cable_scale = cable->factor;
  } else if (const auto* panel_cable = std::get_if<scenario::PanelCable>(&change)) {
    conditions_.panel_cable_scale = panel_cable->factor;
  } else if (const auto* corrosion = std::get_if<scenario::Corrosion>(&change)) {
    (corrosion->connector == scenario::Connector::kPanel ? conditions_.panel_contact_ohm
                                                         : conditions_.battery_contact_ohm) = corrosion->contact_ohm;
  } else if (const auto* bounce = std::get_if<scenario::Bounce>(&change)) {
    this->change(*bounce, now);
  } else if (const auto* supply = std::get_if<scenario::Supply>(&change)) {
    conditions_.supply_v = supply->supply_v;
  } else if (const auto* fault = std::get_if<scenario::SwitchFault>(&change)) {
    conditions_.switch_fault = fault->kind;
  }
}

void World::light_up() {
  conditions_.sun = daylight_.sun();
  conditions_.ambient_degc = daylight_.ambient_degc();
  conditions_.wind_m_per_s = daylight_.wind_m_per_s();
  conditions_.panel_shade = daylight_.shade();
}

// A connector that is told where to be, or to bounce, forgets an earlier bounce.
void World::settle(scenario::Connector connector, bool closed) {
  contacts_.erase(std::remove_if(contacts_.begin(), contacts_.end(),
                                 [connector](const Contact& c) { return c.connector == connector; }),
                  contacts_.end());
  this->closed(connector) = closed;
}

void World::change(const scenario::Bounce& bounce, Nanos now) {
  settle(bounce.connector, this->closed(bounce.connector));
  for (const plant::Contact& c : plant::bounce({bounce.closed, bounce.closures, bounce.over, bounce.seed})) {
    contacts_.push_back({now + c.after, bounce.connector, c.closed});
  }
  std::stable_sort(contacts_.begin(), contacts_.end(),
                   [](const Contact& a, const Contact& b) { return a.time > b.time; });
  static_cast<void>(change_by(now));
}

std::optional<Nanos> World::next_change() const {
  std::optional<Nanos> next = daylight_.next_corner();
  if (!contacts_.empty()) next = std::min(next.value_or(Nanos::max()), contacts_.back().time);
  return next;
}

bool World::change_by(Nanos now) {
  if (daylight_.pass(now)) light_up();
  bool moved = false;
  while (!contacts_.empty() && contacts_.back().time <= now) {
    closed(contacts_.back().connector) = contacts_.back().closed;
    contacts_.pop_back();
    moved = true;
  }
  return moved;
}

std::size_t World::load_index(const std::string& name) const {
  for (std::size_t i = 0; i < site_.loads.size(); ++i) {
    if (site_.loads[i].name == name) {
      return i;
    }
  }
  throw base::BadInput(site_.file, "no load is named \"" + name + "\"");
}

std::size_t World::channel_index(const std::string& name) const {
  if (const auto index = board_.channel_index(name)) {
    return *index;
  }
  throw base::BadInput(board_.file, "no sense channel is named \"" + name + "\"");
}

}  // namespace dawnrig::rig
