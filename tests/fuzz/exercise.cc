#include "tests/fuzz/exercise.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/characteristic/characteristic.h"
#include "harness/rig/plant_failure.h"
#include "harness/rig/virtual_rig.h"

namespace dawnrig::fuzz {
namespace {

using plant::CircuitState;
using plant::Conditions;

struct Slow {};

// A stretch that takes more steps than this would let no day come to its end: the rig gives such a run up.
class Patience : public plant::StepObserver {
 public:
  void on_step(const CircuitState& /*state*/, const Conditions& /*conditions*/,
               const plant::Probes& /*probes*/) override {
    if (++steps_ > kMostSteps) throw Slow{};
  }

 private:
  static constexpr long kMostSteps = 100'000;
  long steps_{0};
};

void demand_numbers(const CircuitState& s, const plant::Probes& p) {
  double sum = 0.0;
  for (const double x : {s.input_v,
                         s.bus_v,
                         s.inductor_a,
                         s.stage_degc,
                         s.cell_degc,
                         s.battery.soc_frac,
                         s.battery.v_fast_v,
                         s.battery.v_slow_v,
                         s.battery.battery_degc,
                         s.battery.hysteresis_frac,
                         s.books.panel_j,
                         s.books.stage_j,
                         s.books.loads_j,
                         s.books.wiring_j,
                         s.books.battery_in_j,
                         s.books.sense_j,
                         s.books.battery_charge_ah,
                         s.books.gassing_ah,
                         p.panel_v,
                         p.panel_a,
                         p.battery_a,
                         p.load_a,
                         p.charge_a,
                         p.terminal_v}) {
    sum += 0.0 * x;
  }
  for (const double pin_v : p.sense_v) sum += 0.0 * pin_v;
  for (const double state : s.load_state) sum += 0.0 * state;
  if (sum != 0.0)
    throw Finding("the circuit shows a number that is none at " + std::to_string(in_seconds(s.now)) + " s");
}

void disturb(Dice& d, const plant::CircuitParams& p, Conditions& c, Nanos now) {
  switch (d.below(9)) {
    case 0:
      c.sun = {now, d.even(0.0, 2500.0), d.chance(0.3) ? d.even(-500.0, 500.0) : 0.0};
      break;
    case 1:
      c.battery_connected = d.chance(0.7);
      c.panel_connected = d.chance(0.7);
      break;
    case 2:
      c.switch_fault = static_cast<plant::SwitchFaultKind>(d.chance(0.6) ? 0 : d.below(4));
      break;
    case 3:
      c.load_switch_on = d.chance(0.7);
      for (std::size_t i = 0; i < p.loads.size(); ++i) c.loads[i] = {d.chance(0.6), d.decades(0.1, 10.0)};
      break;
    case 4:
      c.ambient_degc = d.even(-60.0, 80.0);
      break;
    case 5:
      c.battery_contact_ohm = d.chance(0.5) ? 0.0 : d.decades(1e-3, 1e3);
      c.panel_contact_ohm = d.chance(0.5) ? 0.0 : d.decades(1e-3, 1e3);
      break;
    case 6:
      for (std::size_t i = 0; i < p.sense.size(); ++i) {
        c.sense_faults[i] = static_cast<plant::SenseFaultKind>(d.below(5));
      }
      break;
    case 7:
      c.panel_fault = static_cast<plant::PanelFaultKind>(d.chance(0.5) ? 0 : d.below(3));
      c.wind_m_per_s = d.even(0.0, 60.0);
      c.panel_shade = {};  // mostly few in a light of their own: each of them is a root to find
      for (int i = d.below(d.chance(0.1) ? 12 : 4); i > 0; --i)
        c.panel_shade.light_frac[static_cast<std::size_t>(d.below(48))] = d.frac();
      break;
    default:
      break;
  }
}

void demand_numbers(const characteristic::Characteristic& table, bool gaps_allowed) {
  for (const characteristic::Branch& branch : table.branches) {
    for (const std::vector<double>& row : branch.rows) {
      for (std::size_t c = 0; c < row.size(); ++c) {
        if (std::isfinite(row[c]) || (gaps_allowed && std::isnan(row[c]))) continue;
        throw Finding(table.title + ": " + table.columns[c].name + " is " + std::to_string(row[c]) + " in " +
                      branch.label);
      }
    }
  }
}

}  // namespace

void exercise_circuit(const profile::BoardProfile& board, const profile::SiteProfile& site, Dice& d, Tally& tally) {
  const plant::CircuitParams p = profile::circuit_of(board, site);
  plant::Problems problems;
  p.check(problems);
  if (!problems.empty()) {
    throw Finding("read without complaint, yet the circuit says " + problems.list()[0].field + " " +
                  problems.list()[0].message);
  }
  ++tally.circuits;
  const plant::Circuit circuit{p};
  Conditions c;
  c.supply_v = board.device.supply_v;
  c.sun.poa_wpm2 = d.even(0.0, 1500.0);
  c.load_switch_on = d.chance(0.5);
  for (std::size_t i = 0; i < p.loads.size(); ++i) c.loads[i].on = site.loads[i].on_at_start || d.chance(0.3);
  c.ambient_degc = site.ambient_degc;
  // Thermal runaway of an overcharged battery is its own matter; what may leave the real numbers here is the circuit.
  c.battery_held_at_temperature = true;
  c.battery_held_degc = d.even(-40.0, 60.0);
  CircuitState state = circuit.at_rest({d.frac(), c.battery_held_degc, c.ambient_degc, c.sun.poa_wpm2}, c);
  const CircuitState start = state;
  for (int i = 0; i < 16; ++i) {
    disturb(d, p, c, state.now);
    c.gate_on = d.chance(0.5);
    const bool buck = std::holds_alternative<plant::BuckParams>(p.stage.topology);
    const bool longer = i % 8 == 7;
    const auto length = static_cast<std::int64_t>(longer ? d.decades(1e7, buck ? 3e7 : 1e10) : d.decades(1e2, 1e7));
    if (longer) c.sun = {state.now, c.sun.poa_wpm2, 0.0};
    Patience patience;
    try {
      const plant::AdvanceStatus status = circuit.advance(state, c, state.now + Nanos{length}, &patience);
      if (status == plant::AdvanceStatus::kNotANumber) throw Finding("the circuit left the real numbers");
      if (status == plant::AdvanceStatus::kNotConverged) {
        ++tally.unsolved;
        return;
      }
    } catch (const Slow&) {
      ++tally.slow;
      return;
    }
    demand_numbers(state, circuit.probe(state, c));
  }
  if (!rig::open_books(circuit.books_residual_j(start, state), state.books).empty()) ++tally.open_books;
}

void exercise_curves(const profile::SiteProfile& site, Dice& d, Tally& tally) {
  ++tally.curves;
  characteristic::PanelSweep panel;
  panel.poa_wpm2 = {0.0, d.decades(1e-3, 1.0), d.even(1.0, 2500.0)};
  panel.cell_degc = {d.even(-60.0, 120.0)};
  panel.points = 12;
  if (site.array) panel.light_frac = {d.frac()};
  demand_numbers(characteristic::panel_curve(site, panel), false);
  characteristic::BatterySweep battery;
  battery.current_a = d.chance(0.2) ? 0.0 : d.even(-50.0, 50.0);
  battery.battery_degc = {d.even(-40.0, 60.0)};
  battery.for_s = 7200;
  battery.every_s = 600;
  if (d.chance(0.7)) battery.limit_v = d.even(2.0, 60.0);
  if (d.chance(0.7)) battery.soc_frac = d.frac();
  demand_numbers(characteristic::battery_run(site, battery), false);
}

void exercise_curves(const profile::BoardProfile& board, Dice& d, Tally& tally) {
  for (const profile::SenseChannel& channel : board.sense) {
    ++tally.curves;
    characteristic::SenseSweep sweep;
    sweep.channel = channel.name;
    sweep.board_degc = {d.even(-60.0, 120.0)};
    sweep.points = 20;
    if (profile::is_current(channel.quantity)) sweep.to_a = d.decades(0.01, 1e4);
    demand_numbers(characteristic::sense_transfer(board, sweep), false);
  }
}

void exercise_sky(const scenario::Scenario& scenario, const profile::SiteProfile& site, Tally& tally) {
  ++tally.skies;
  characteristic::SkySweep sweep;
  // A year's sky of broken clouds is a matter of seconds; the first hours stand for it.
  sweep.to_s = std::min(in_seconds(scenario.duration), 4e4);
  sweep.every_s = std::max(1e-3, *sweep.to_s / 37);
  demand_numbers(characteristic::sky_day(scenario, nullptr, sweep), true);
  try {
    demand_numbers(characteristic::sky_day(scenario, &site, sweep), true);
  } catch (const base::BadInput&) {
    ++tally.apart;
  }
}

void exercise_device(const profile::BoardProfile& board, const profile::SiteProfile& site,
                     const scenario::Scenario& scenario, Tally& tally) {
  const char* name = board.device.part != "atmega328p" ? "" : "/fixtures/reference_device/ridge_a.elf";
  if (*name == '\0') return;
  rig::VirtualRigSetup setup{board, site, device::load_image(std::string(DAWNRIG_BINARY_DIR) + name, board.device.part),
                             scenario.initial, scenario.seed};
  ++tally.devices;
  try {
    rig::VirtualRig rig{setup};
    for (const scenario::Stimulus& stimulus : scenario.timeline) {
      try {
        rig.check(stimulus.change);
      } catch (const base::BadInput&) {
        continue;  // a load or channel that this site or board lacks
      }
      rig.schedule({std::min(stimulus.time, Nanos{200'000'000}), stimulus.change});
    }
    rig.run_until(std::min(scenario.duration, Nanos{300'000'000}));
    if (rig.invalid_because().find("left the real numbers") != std::string::npos) {
      throw Finding("with a device in it: " + rig.invalid_because());
    }
    demand_numbers(rig.plant_state(), {});
  } catch (const base::BadInput&) {
    ++tally.apart;
  }
}

}  // namespace dawnrig::fuzz
