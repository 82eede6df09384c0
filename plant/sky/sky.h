// Plant, sky: the room's front door. Any sky as straight lines of irradiance over time, made as they are asked for.
// May use plant/core only.
#pragma once

#include <cstdint>
#include <limits>
#include <memory>
#include <optional>
#include <variant>
#include <vector>

#include "plant/core/problems.h"
#include "plant/core/time.h"
#include "plant/sky/clear_sky.h"
#include "plant/sky/clouds.h"
#include "plant/sky/sun_position.h"

namespace dawnrig::plant {

/// Fog that lies when the sky begins, and lifts: its share of the sky falls to nothing in a straight line.
struct Fog {
  double optical_depth{10.0};
  double lifts_at_s{0.0};  ///< from the beginning of the sky
  double lifts_over_s{600.0};
  void check(Problems& problems) const;
};

/// Snow on the panel, that lets little light through until it slides off, and snow on the ground before it.
struct Snow {
  double light_frac{0.05};  ///< that the layer on the panel lets through
  double slides_at_s{0.0};  ///< from the beginning of the sky
  double slides_over_s{60.0};
  void check(Problems& problems) const;
};

/// The sky over a place from a date on.
struct PlaceSky {
  Place place;
  Plane plane;
  UtcTime begins{};  ///< the instant at which the sky begins
  Air air;           ///< for refraction alone
  double linke_turbidity{3.0};
  std::vector<CloudPassage> clouds;
  std::optional<BrokenClouds> broken_clouds;  ///< in place of single ones
  std::optional<Fog> fog;
  std::optional<Snow> snow;
  void check(Problems& problems) const;
};

/// Up, dwell, down, dwell, over and over: how a tracker of the maximum power point is tried.
struct RampRow {
  double low_wpm2{100.0}, high_wpm2{500.0};
  double slope_wpm2_per_s{10.0};
  int count{10};
  double settle_s{300.0};  ///< at the low level, before the first ramp
  double dwell_s{10.0};    ///< at each level
  void check(Problems& problems) const;
};

struct RampSky {
  std::vector<RampRow> rows;
  void check(Problems& problems) const;
};

/// The three sequences of the kind that EN 50530 tries trackers with, after Alonso and Chenlo's copy of its tables (the
/// standard itself was not read): 100 to 500 W/m2, 300 to 1000 W/m2, and a start and stop from 2 to 100 W/m2.
enum class RampStandard : std::uint8_t { kLowToMedium, kMediumToHigh, kStartAndStop };
[[nodiscard]] RampSky standard_ramps(RampStandard standard);

/// A measured or computed series; between two instants values run straight, after the last one they stay.
struct SeriesSky {
  struct Point {
    Nanos at{0};  ///< from the beginning of the sky, rising strictly; the first is at 0
    double poa_wpm2{};
    double ambient_degc{std::numeric_limits<double>::quiet_NaN()};  ///< not a number: the series says nothing of it
  };
  std::vector<Point> points;
  void check(Problems& problems) const;
};

using SkyParams = std::variant<PlaceSky, RampSky, SeriesSky>;
void check(const SkyParams& sky, Problems& problems);

/// The plane-of-array irradiance of a place's clear sky at an instant, fog and snow and clouds aside.
[[nodiscard]] double clear_poa_wpm2(const PlaceSky& sky, Nanos since_beginning);

/// A straight line of irradiance from where the last ended.
struct SkyLine {
  Nanos until{0};  ///< from the beginning of the sky; never in the past
  double from_wpm2{}, to_wpm2{};
  double ambient_degc{std::numeric_limits<double>::quiet_NaN()};  ///< during the line; not a number: not said
};

/// One run through a sky: a plain value, copied to branch it. The same parameters and seed give the same lines, bit for
/// bit. No call allocates.
///
/// Lines end at every corner of clouds, fog and snow; within one, the line is halved until its middle and quarters are
/// within kToleranceWpm2 of the sky itself, down to kShortest. Lines are at most kLongest long.
class SkyRun {
 public:
  static constexpr double kToleranceWpm2 = 0.1;
  static constexpr Nanos kShortest{50'000'000};
  static constexpr Nanos kLongest{120'000'000'000};

  /// `checked` must outlive the run; the shared pointer sees to that.
  SkyRun(std::shared_ptr<const SkyParams> checked, std::uint64_t seed);

  [[nodiscard]] SkyLine next();
  /// At the end of the last line.
  [[nodiscard]] Nanos now() const { return now_; }

 private:
  [[nodiscard]] SkyLine next_of(const PlaceSky& sky);
  [[nodiscard]] SkyLine next_of(const RampSky& sky);
  [[nodiscard]] SkyLine next_of(const SeriesSky& sky);
  [[nodiscard]] double poa_wpm2_at(const PlaceSky& sky, CloudCorners& clouds, Nanos t) const;

  std::shared_ptr<const SkyParams> params_;
  CloudCorners clouds_;
  Nanos now_{0};
  std::optional<double> here_wpm2_;  // at now_, when the last line has found it
  std::size_t row_{0};
  int leg_{-1};  // of the row: -1 settles, then four a ramp
  std::size_t point_{0};
};

}  // namespace dawnrig::plant
