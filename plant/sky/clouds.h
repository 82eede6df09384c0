// Plant, sky: clouds before the sun, as a share of the clear sky's light over time. May use plant/core only.
#pragma once

#include <cstdint>
#include <vector>

#include "plant/core/problems.h"
#include "plant/core/time.h"
#include "plant/sky/random.h"

namespace dawnrig::plant {

/// One cloud that passes before the sun. Its sides throw light in beside it, so that the plane gets more than the clear
/// sky's light just before the shadow's near edge and just after its far one:
///
///     1 + brightening_frac        /\                                /\.
///     1                     ____ /  \                              /  \____
///     light_frac                     \____________________________/
///                               halo near         shadow       far halo
struct CloudPassage {
  double begins_s{};              ///< when the near edge begins to shade, from the beginning of the sky
  double near_edge_s{2.0};        ///< the light falls so long
  double shadow_s{60.0};          ///< full shadow
  double far_edge_s{2.0};         ///< the light comes back so long
  double light_frac{0.3};         ///< of the clear sky's light that the full shadow leaves
  double brightening_frac{0.15};  ///< of the clear sky's light that the edge adds
  double halo_s{8.0};             ///< the edge's own light rises, and later fades, so long
  void check(Problems& problems) const;
  [[nodiscard]] double earliest_s() const { return begins_s - halo_s; }
  [[nodiscard]] double latest_s() const { return begins_s + near_edge_s + shadow_s + far_edge_s + halo_s; }
};

/// Broken clouds: shadows and gaps in turn, each drawn from a seed. Durations are log-normal, edges even in the
/// logarithm, the light in the shadow even between its ends, the brightening mostly small (the square of an even draw).
/// The figures given here make days whose one-minute steps are those of two variable days that were measured, from the
/// upper quarter of steps on; the small steps of the hazy sun between the clouds are left out.
/// tests/plant/measured_sky_test.cc compares them.
struct BrokenClouds {
  double gap_s{200.0};       ///< mean duration of sunshine between two shadows
  double shadow_s{100.0};    ///< mean duration of full shadow
  double spread{1.5};        ///< standard deviation of the durations' logarithm
  double darkest_frac{0.2};  ///< of the clear sky's light
  double brightest_frac{0.6};
  double fastest_edge_s{1.0};
  double slowest_edge_s{20.0};
  double most_brightening_frac{0.3};
  void check(Problems& problems) const;
};

/// A straight line of the share over time, between two corners.
struct ShareCorner {
  Nanos at{0};
  double share_frac{1.0};
};

/// The corners of passages one after another. Bounded memory, whatever the duration.
class CloudCorners {
 public:
  /// No cloud at all.
  CloudCorners() = default;
  /// In order of time and apart from each other; see check_passages().
  explicit CloudCorners(const std::vector<CloudPassage>* passages) : passages_{passages} { load(); }
  CloudCorners(const BrokenClouds* clouds, std::uint64_t seed) : clouds_{clouds}, draws_{seed} { load(); }

  /// The share at t, which must not lie before that of an earlier call.
  [[nodiscard]] double share_frac_at(Nanos t);
  /// The next corner after the t of the last share_frac_at(); the end of time if there is none.
  [[nodiscard]] Nanos next_corner() const { return to_.at; }

 private:
  static constexpr int kCorners = 6;
  void load();
  void set(const CloudPassage& passage, Nanos origin);
  void step();

  const std::vector<CloudPassage>* passages_{nullptr};
  std::size_t next_passage_{0};
  const BrokenClouds* clouds_{nullptr};
  SkyDraws draws_{0};
  Nanos drawn_until_{0};
  ShareCorner corners_[kCorners]{};
  int corner_{kCorners};
  ShareCorner from_{Nanos{0}, 1.0};
  ShareCorner to_{Nanos::max(), 1.0};
};

/// Complains of passages that are out of order or overlap, each as "cloud[i].begins_s".
void check_passages(const std::vector<CloudPassage>& passages, Problems& problems);

}  // namespace dawnrig::plant
