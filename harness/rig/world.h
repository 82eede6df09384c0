// The world around a device as the plant sees it: what stimuli have made of sun, loads, wiring and faults so far.
// Room: harness/rig.
#pragma once

#include <optional>
#include <string>

#include "harness/profile/profile.h"
#include "harness/scenario/stimulus.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

/// Holds the plant's conditions and changes them by stimuli. Stimuli that act on the device itself (supply, reset,
/// serial line, converter) are the rig's business; of those only the supply shows here, because pull-ups hang on it.
class World {
 public:
  World(const profile::BoardProfile& board, const profile::SiteProfile& site, const scenario::Initial& initial);

  /// Throws base::BadInput for a load or channel that the profiles do not name.
  void check(const scenario::Change& change) const;
  void apply(const scenario::Change& change, Nanos now);

  [[nodiscard]] plant::Conditions& conditions() { return conditions_; }
  [[nodiscard]] const plant::Conditions& conditions() const { return conditions_; }
  [[nodiscard]] const plant::InitialConditions& at_rest() const { return rest_; }
  [[nodiscard]] std::size_t channel_index(const std::string& name) const;

  /// When the ramp of the sun that is under way ends; the plant must never see that corner inside an advance.
  [[nodiscard]] std::optional<Nanos> ramp_end() const;
  /// Levels the sun off if its ramp has ended by `now`.
  void end_ramp_by(Nanos now);

 private:
  void change(const scenario::Sun& sun, Nanos now);
  [[nodiscard]] std::size_t load_index(const std::string& name) const;

  struct Ramp {
    Nanos end{0};
    double poa_wpm2{0};
  };
  const profile::BoardProfile& board_;
  const profile::SiteProfile& site_;
  plant::Conditions conditions_;
  plant::InitialConditions rest_;
  std::optional<Ramp> ramp_;
};

}  // namespace dawnrig::rig
