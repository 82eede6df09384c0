// The world around a device as the plant sees it: what stimuli have made of sun, loads, wiring and faults so far.
// Room: harness/rig.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/profile/profile.h"
#include "harness/scenario/daylight.h"
#include "harness/scenario/stimulus.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

/// Holds the plant's conditions and changes them by stimuli. Stimuli that act on the device itself (supply, reset,
/// serial line, converter) are the rig's business; of those only the supply shows here, because pull-ups hang on it.
class World {
 public:
  /// `seed`: of the run; broken clouds are drawn from it.
  World(const profile::BoardProfile& board, const profile::SiteProfile& site, const scenario::Initial& initial,
        std::uint64_t seed);

  /// Throws base::BadInput for a load or channel that the profiles do not name.
  void check(const scenario::Change& change) const;
  void apply(const scenario::Change& change, Nanos now);

  [[nodiscard]] plant::Conditions& conditions() { return conditions_; }
  [[nodiscard]] const plant::Conditions& conditions() const { return conditions_; }
  [[nodiscard]] const plant::InitialConditions& at_rest() const { return rest_; }
  [[nodiscard]] std::size_t channel_index(const std::string& name) const;

  /// When something next changes that an earlier stimulus has set going: a ramp of the sun or a line of
  /// the sky ends, a connector bounces.
  /// The plant must never see such a corner inside an advance.
  [[nodiscard]] std::optional<Nanos> next_change() const;
  /// Makes every such change that is due by `now`. True: a connector moved, so that voltages jump.
  bool change_by(Nanos now);

 private:
  void light_up();
  void settle(scenario::Connector connector, bool closed);
  void change(const scenario::Bounce& bounce, Nanos now);
  [[nodiscard]] bool& closed(scenario::Connector connector) {
    return connector == scenario::Connector::kPanel ? conditions_.panel_connected : conditions_.battery_connected;
  }
  [[nodiscard]] std::size_t load_index(const std::string& name) const;

  const profile::BoardProfile& board_;
  const profile::SiteProfile& site_;
  plant::Conditions conditions_;
  plant::InitialConditions rest_;
  scenario::Daylight daylight_;
  struct Contact {
    Nanos time{0};
    scenario::Connector connector{};
    bool closed{};
  };
  std::vector<Contact> contacts_;  // of bouncing connectors, the next one last
};

}  // namespace dawnrig::rig
