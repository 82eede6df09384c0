// The light and the weather over the panel, as a timeline's stimuli make them. The rig walks it, and so does whoever
// wants to see the day without a device.
// Room: harness/scenario. May use plant.
#pragma once

#include <cstdint>
#include <optional>

#include "harness/scenario/stimulus.h"
#include "plant/circuit.h"
#include "plant/core/time.h"
#include "plant/sky/sky.h"

namespace dawnrig::scenario {

/// Straight lines of irradiance, one after another, with ambient temperature, wind and shade beside them. A plain
/// value: copied to branch it.
class Daylight {
 public:
  /// `seed`: of the run; broken clouds are drawn from it, each sky of the run from a stream of its own.
  Daylight(double poa_wpm2, double ambient_degc, std::uint64_t seed)
      : sun_{Nanos{0}, poa_wpm2, 0.0}, ambient_degc_{ambient_degc}, seed_{seed} {}

  /// Sun, Sky, Shade, Wind and AmbientTemperature act here; true if it was one of them. Sub-strings are taken as
  /// checked.
  bool apply(const Change& change, Nanos now);

  /// When the present line ends, or never. Between two such instants light runs straight and nothing else moves.
  [[nodiscard]] std::optional<Nanos> next_corner() const;
  /// Goes on to the next line if the present one ends by `now`; true if it did.
  bool pass(Nanos now);

  [[nodiscard]] const plant::Conditions::Sun& sun() const { return sun_; }
  [[nodiscard]] double poa_wpm2(Nanos now) const;
  [[nodiscard]] double ambient_degc() const { return ambient_degc_; }
  [[nodiscard]] double wind_m_per_s() const { return wind_m_per_s_; }
  [[nodiscard]] const plant::PanelShade& shade() const { return shade_; }

  /// The sky over a place that moves the sun now, and when it began; null: there is none.
  struct OverPlace {
    const plant::PlaceSky* sky{nullptr};
    Nanos since{0};
  };
  [[nodiscard]] OverPlace over_place() const;

 private:
  void take(const Sun& sun, Nanos now);
  void take(const Sky& sky, Nanos now);
  void next_line(Nanos now);

  struct Ramp {
    Nanos end{0};
    double poa_wpm2{0};
  };
  plant::Conditions::Sun sun_;
  double ambient_degc_;
  double wind_m_per_s_{1.0};
  plant::PanelShade shade_;
  std::uint64_t seed_;
  std::uint64_t skies_{0};  // begun so far
  std::optional<Ramp> ramp_;
  std::optional<plant::SkyRun> run_;
  std::shared_ptr<const plant::SkyParams> sky_;  // of run_
  Nanos sky_since_{0};
};

}  // namespace dawnrig::scenario
