// Which battery is this? Every voltage that may be found at the terminals, and panel or battery connected first.
#include <array>
#include <variant>

#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using verdict::Highest;
using verdict::OnTime;

struct Found {
  double rest_v;  ///< of a device for 24 V; scaled for others
  bool whole;     ///< all of the cells that the device is for; else half of them
  bool charged;   ///< that the device must charge it: it is one of its own, and neither ruined nor too high
};

class NominalVoltage : public testing::Acceptance {
 protected:
  /// The site's battery with so many cells, resting at so many volts whatever its charge.
  [[nodiscard]] plant::LeadAcidParams battery_at(double rest_v, bool whole) const {
    plant::LeadAcidParams battery = std::get<plant::LeadAcidParams>(testing::bench().site.battery);
    const double share = whole ? 1.0 : 0.5;
    battery.cells *= share;
    for (double* const ohm : {&battery.r_series_ohm, &battery.r_fast_ohm, &battery.r_slow_ohm,
                              &battery.r_acceptance_ohm, &battery.r_exhaustion_ohm}) {
      *ohm *= share;
    }
    battery.ocv.clear();
    battery.cell_ocv_empty_v = rest_v / battery.cells - 0.01;
    battery.cell_ocv_full_v = rest_v / battery.cells + 0.01;
    battery.gassing_a_per_100ah = 0.0;  // a surface charge lasts as long as the test
    return battery;
  }
  /// Connects panel and battery in one order or the other, the second after the device has looked around for a while.
  void meet(const plant::LeadAcidParams& battery, bool panel_first) {
    power_up({.soc_frac = 0.5, .sun = 1000_Wpm2, .other_battery = battery});
    const auto connect = [&](bool closed) {
      if (panel_first) {
        battery_connector(closed);
      } else {
        happens(scenario::PanelConnector{closed});
      }
    };
    connect(false);
    let_pass(6s);
    connect(true);
  }
};

// 6 V is a ruined block, 17 V one with a surface charge from another charger, 32 V a battery that nobody may charge.
constexpr std::array kFound{
    Found{6.0, false, false},  Found{9.5, false, false}, Found{12.6, false, false}, Found{14.5, false, false},
    Found{17.0, false, false}, Found{21.0, true, true},  Found{25.0, true, true},   Found{32.0, true, false},
};

TEST_F(NominalVoltage, WhateverIsConnectedInWhateverOrderIsTakenForWhatItIs) {
  if (!std::holds_alternative<plant::LeadAcidParams>(testing::bench().site.battery) || declared().nominal_v < 24.0) {
    return not_applicable("only a lead-acid battery of 24 V or more has a half that may be mistaken for it");
  }
  const double scale = declared().nominal_v / 24.0;
  const bool shows = board().fault_output && testing::bench().rig.kind == testing::RigKind::kVirtual;
  HighestOf peak;
  Figure silent = counted(0.0, 0);
  Figure left = counted(0.0, 0);
  std::unique_ptr<testing::Watch> watch;
  for (const Found& found : kFound) {
    for (const bool panel_first : {true, false}) {
      const double rest_v = scale * found.rest_v;
      meet(battery_at(rest_v, found.whole), panel_first);
      // A battery that comes with more than its limit may keep that, and gets no more.
      const double most_v = std::max((found.whole ? 1.0 : 0.5) * declared().over_voltage_v, rest_v);
      Highest highest{{.signal = Signal::kTerminalV, .minus = most_v, .average_over = 100ms}};
      OnTime on{Signal::kGate, std::nullopt};
      watch = watch_with({&highest, &on}, {Signal::kTerminalV, Signal::kGate, Signal::kFault});
      let_pass(from_seconds(declared().startup_s + 12.0));
      watch->end();
      peak.add(highest.figure());
      const bool charges = on.figure().value > 0.0;
      if (found.charged) {
        ++left.exercised;
        left.value += charges ? 0.0 : 1.0;
      }
      if (!charges && shows) {
        ++silent.exercised;
        silent.value += rig().latest()[Signal::kFault] > 0.5 ? 0.0 : 1.0;
      }
    }
  }
  judge("NOMINAL-PEAK", peak.figure(),
        "highest terminal voltage above what a battery of so many cells may get, worst of 8 voltages in 2 orders",
        *watch);
  judge("NOMINAL-CHARGES", left, "batteries of its own that the device did not begin to charge, of 2 in 2 orders",
        *watch);
  if (shows) {
    judge("NOMINAL-REFUSAL-SHOWN", silent, "batteries that were not charged without a word at the fault output",
          *watch);
  }
}

}  // namespace
}  // namespace dawnrig::acceptance
