// Stimuli and whole scenarios in words.
#include <array>

#include "harness/base/hash.h"
#include "harness/base/text.h"
#include "harness/scenario/sky_text.h"
#include "harness/scenario/stimulus.h"

namespace dawnrig::scenario {
namespace {

using base::number_text;

std::string seconds(Nanos time) {
  return number_text(in_seconds(time)) + " s";
}

// Printable text stays; the rest becomes \xHH, so that different bytes never look alike.
std::string in_quotes(std::string_view bytes) {
  static constexpr std::string_view kDigits = "0123456789abcdef";
  std::string text = "\"";
  for (const char c : bytes) {
    const auto byte = static_cast<unsigned char>(c);
    if (c == '\n') {
      text += "\\n";
    } else if (c == '\r') {
      text += "\\r";
    } else if (c == '"' || c == '\\') {
      text += {'\\', c};
    } else if (byte < 0x20 || byte >= 0x7F) {
      text += {'\\', 'x', kDigits[byte >> 4U], kDigits[byte & 0xFU]};
    } else {
      text += c;
    }
  }
  return text + '"';
}

std::string connected(const char* what, bool closed) {
  return std::string(what) + (closed ? " connected" : " disconnected");
}

const char* words_of(plant::SenseFaultKind kind) {
  switch (kind) {
    case plant::SenseFaultKind::kNone:
      return "mended";
    case plant::SenseFaultKind::kOpen:
      return "open";
    case plant::SenseFaultKind::kShortToGround:
      return "shorted to ground";
    case plant::SenseFaultKind::kShortToSupply:
      return "shorted to the supply";
    case plant::SenseFaultKind::kStuck:
      break;
  }
  return "stuck";
}

const char* words_of(plant::SwitchFaultKind kind) {
  switch (kind) {
    case plant::SwitchFaultKind::kNone:
      return "mended";
    case plant::SwitchFaultKind::kStuckOpen:
      return "stuck open";
    case plant::SwitchFaultKind::kDriverDead:
      return "left by a dead driver";
    case plant::SwitchFaultKind::kStuckClosed:
      break;
  }
  return "stuck closed";
}

const char* words_of(plant::PanelFaultKind kind) {
  switch (kind) {
    case plant::PanelFaultKind::kNone:
      return "mended";
    case plant::PanelFaultKind::kReversed:
      return "reversed";
    case plant::PanelFaultKind::kShorted:
      break;
  }
  return "shorted";
}

const char* words_of(FigureKind kind) {
  switch (kind) {
    case FigureKind::kMean:
      return "mean";
    case FigureKind::kHighest:
      return "highest";
    case FigureKind::kLowest:
      return "lowest";
    case FigureKind::kPeakToPeak:
      break;
  }
  return "peak to peak";
}

const char* words_of(Connector connector) {
  return connector == Connector::kPanel ? "panel" : "battery";
}

struct InWords {
  std::string operator()(const Sun& sun) const {
    return "sun to " + number_text(sun.poa_wpm2) + " W/m2" +
           (sun.over > Nanos{0} ? " over " + seconds(sun.over) : std::string());
  }
  std::string operator()(const Sky& sky) const { return text_of(*sky.params); }
  std::string operator()(const Shade& shade) const {
    std::string text = shade.parts.empty() ? "panel in full light" : "panel in full light but";
    for (const Shade::Part& part : shade.parts) {
      text += " sub-string " + std::to_string(part.substring) + " at " + number_text(part.light_frac);
    }
    return text;
  }
  std::string operator()(const PanelFault& fault) const { return std::string("panel ") + words_of(fault.kind); }
  std::string operator()(const Wind& wind) const { return "wind at " + number_text(wind.speed_m_per_s) + " m/s"; }
  std::string operator()(const AmbientTemperature& t) const { return "ambient at " + number_text(t.degc) + " degC"; }
  std::string operator()(const BatteryTemperature& t) const {
    return "battery held at " + number_text(t.degc) + " degC";
  }
  std::string operator()(const HeatSinkTemperature& t) const {
    return t.held ? "heat sink held at " + number_text(t.degc) + " degC" : "heat sink let go";
  }
  std::string operator()(const LoadSwitching& load) const {
    return "load " + in_quotes(load.name) + (load.on ? " on" : " off") +
           (load.scale != 1 ? " at " + number_text(load.scale) + " of its rating" : std::string());
  }
  std::string operator()(const BatteryConnector& c) const { return connected("battery", c.closed); }
  std::string operator()(const PanelConnector& c) const { return connected("panel", c.closed); }
  std::string operator()(const SenseFault& fault) const {
    return "sense " + in_quotes(fault.channel) + " " + words_of(fault.kind);
  }
  std::string operator()(const BatteryResistance& r) const {
    return "battery resistance times " + number_text(r.factor);
  }
  std::string operator()(const BatteryCable& r) const {
    return "battery cable resistance times " + number_text(r.factor);
  }
  std::string operator()(const PanelCable& r) const { return "panel cable resistance times " + number_text(r.factor); }
  std::string operator()(const Corrosion& c) const {
    return std::string(words_of(c.connector)) + " connector with a contact of " + number_text(c.contact_ohm) + " ohm";
  }
  std::string operator()(const Bounce& b) const {
    return std::string(words_of(b.connector)) + " connector bounces over " + seconds(b.over) + ", closing " +
           std::to_string(b.closures) + " times, seed " + std::to_string(b.seed) + ", and ends " +
           (b.closed ? "closed" : "open");
  }
  std::string operator()(const Supply& supply) const { return "supply at " + number_text(supply.supply_v) + " V"; }
  std::string operator()(const ReferenceError& error) const {
    return "reference wrong by " + number_text(error.error_frac) + " of its value";
  }
  std::string operator()(const Noise& noise) const {
    return "noise of " + number_text(noise.rms_v) + " V rms on sense " + in_quotes(noise.channel);
  }
  std::string operator()(const SerialInput& input) const { return "serial input " + in_quotes(input.data); }
  std::string operator()(const ResetLine& line) const { return line.held_low ? "reset held low" : "reset released"; }
  std::string operator()(const PowerCycle& cycle) const { return "power off for " + seconds(cycle.off); }
  std::string operator()(const SwitchFault& fault) const {
    return std::string("charging switch ") + words_of(fault.kind);
  }
};

std::string nanos(Nanos time) {
  return std::to_string(time.count()) + " ns";
}

std::string or_default(const std::optional<double>& value) {
  return value ? number_text(*value) : "default";
}

}  // namespace

std::string text_of(const Change& change) {
  return std::visit(InWords{}, change);
}

std::string printed(const Scenario& scenario) {
  const Initial& initial = scenario.initial;
  std::string text = "scenario " + in_quotes(scenario.name) + " for " + nanos(scenario.duration) + " seed " +
                     std::to_string(scenario.seed) + "\ninitial soc_frac " + number_text(initial.soc_frac) +
                     " battery_degc " + or_default(initial.battery_degc) + " ambient_degc " +
                     or_default(initial.ambient_degc) + " poa_wpm2 " + number_text(initial.poa_wpm2) +
                     "\nrecording every " + nanos(scenario.recording.interval) + " around events " +
                     nanos(scenario.recording.event_window) + '\n';
  for (const Stimulus& stimulus : scenario.timeline) {
    text += "at " + nanos(stimulus.time) + ' ' + text_of(stimulus.change) + '\n';
  }
  for (const Check& check : scenario.checks) {
    text += "check " + in_quotes(check.requirement) + ' ' + words_of(check.figure) + " of " + in_quotes(check.signal) +
            " from " + nanos(check.from) + " to " + nanos(check.to) + " minus " + number_text(check.minus) + '\n';
  }
  return text;
}

std::string fingerprint(const Scenario& scenario) {
  return base::sha256_hex(printed(scenario));
}

}  // namespace dawnrig::scenario
