#include "harness/rig/world.h"

#include <algorithm>
#include <cmath>
#include <variant>

#include "harness/base/bad_input.h"
#include "plant/wiring/bounce.h"

namespace dawnrig::rig {

World::World(const profile::BoardProfile& board, const profile::SiteProfile& site, const scenario::Initial& initial,
             std::uint64_t seed)
    : board_{board}, site_{site}, seed_{seed} {
  rest_.soc_frac = initial.soc_frac;
  rest_.ambient_degc = initial.ambient_degc.value_or(site_.ambient_degc);
  rest_.battery_degc = initial.battery_degc.value_or(rest_.ambient_degc);
  rest_.poa_wpm2 = initial.poa_wpm2;
  conditions_.ambient_degc = rest_.ambient_degc;
  conditions_.sun = {Nanos{0}, initial.poa_wpm2, 0.0};
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
    for (const scenario::Shade::Part& part : shade->parts) demand_substring(part.substring);
  }
}

void World::apply(const scenario::Change& change, Nanos now) {
  if (const auto* sun = std::get_if<scenario::Sun>(&change)) {
    this->change(*sun, now);
  } else if (const auto* sky = std::get_if<scenario::Sky>(&change)) {
    this->change(*sky, now);
  } else if (const auto* shade = std::get_if<scenario::Shade>(&change)) {
    this->change(*shade);
  } else if (const auto* panel_fault = std::get_if<scenario::PanelFault>(&change)) {
    conditions_.panel_fault = panel_fault->kind;
  } else if (const auto* wind = std::get_if<scenario::Wind>(&change)) {
    conditions_.wind_m_per_s = wind->speed_m_per_s;
  } else if (const auto* ambient = std::get_if<scenario::AmbientTemperature>(&change)) {
    conditions_.ambient_degc = ambient->degc;
  } else if (const auto* battery = std::get_if<scenario::BatteryTemperature>(&change)) {
    conditions_.battery_held_at_temperature = true;
    conditions_.battery_held_degc = battery->degc;
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

void World::change(const scenario::Sun& sun, Nanos now) {
  const auto& before = conditions_.sun;
  const double present = std::max(0.0, before.poa_wpm2 + before.slope_wpm2_per_s * in_seconds(now - before.since));
  ramp_.reset();
  sky_.reset();
  if (sun.over.count() <= 0) {
    conditions_.sun = {now, sun.poa_wpm2, 0.0};
    return;
  }
  conditions_.sun = {now, present, (sun.poa_wpm2 - present) / in_seconds(sun.over)};
  ramp_ = Ramp{now + sun.over, sun.poa_wpm2};
}

void World::change(const scenario::Sky& sky, Nanos now) {
  constexpr std::uint64_t kPurpose = 0x51C7'0D5E'ED00'0001U;  // apart from the other generators of the run
  sky_.emplace(sky.params, (seed_ ^ kPurpose) + skies_++);
  sky_since_ = now;
  next_line_of_sky(now);
}

void World::change(const scenario::Shade& shade) {
  conditions_.panel_shade = {};
  for (const scenario::Shade::Part& part : shade.parts) {
    demand_substring(part.substring);
    conditions_.panel_shade.light_frac[static_cast<std::size_t>(part.substring)] = part.light_frac;
  }
}

void World::next_line_of_sky(Nanos now) {
  plant::SkyLine line = sky_->next();
  while (sky_since_ + line.until <= now) line = sky_->next();  // a line without duration
  const double length_s = in_seconds(sky_since_ + line.until - now);
  conditions_.sun = {now, line.from_wpm2, (line.to_wpm2 - line.from_wpm2) / length_s};
  if (!std::isnan(line.ambient_degc)) conditions_.ambient_degc = line.ambient_degc;
  ramp_ = Ramp{sky_since_ + line.until, line.to_wpm2};
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
  std::optional<Nanos> next;
  if (ramp_) next = ramp_->end;
  if (!contacts_.empty()) next = std::min(next.value_or(Nanos::max()), contacts_.back().time);
  return next;
}

bool World::change_by(Nanos now) {
  if (ramp_ && ramp_->end <= now && sky_) {
    next_line_of_sky(now);
  } else if (ramp_ && ramp_->end <= now) {
    conditions_.sun = {now, ramp_->poa_wpm2, 0.0};
    ramp_.reset();
  }
  bool moved = false;
  while (!contacts_.empty() && contacts_.back().time <= now) {
    closed(contacts_.back().connector) = contacts_.back().closed;
    contacts_.pop_back();
    moved = true;
  }
  return moved;
}

void World::demand_substring(int substring) const {
  if (!site_.array) {
    throw base::BadInput(site_.file,
                         "its panel is a single diode, which has no sub-strings to shade; give its data sheet");
  }
  const int count = site_.array->series * site_.array->strings;
  if (substring < 0 || substring >= count) {
    throw base::BadInput(site_.file, "no sub-string " + std::to_string(substring) + " in its panel, which has " +
                                         std::to_string(count) + ", counted from 0");
  }
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
