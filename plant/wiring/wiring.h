// Plant, wiring: cables that warm, contacts that corrode, fuses that melt. May use plant/core only.
#pragma once

#include "plant/core/problems.h"

namespace dawnrig::plant {

/// The temperature at which cable tables state resistances.
inline constexpr double kCableTableDegc = 20.0;

struct FuseParams {
  double carries_a{20.0};     ///< the largest current that it carries for ever
  double melting_a2s{600.0};  ///< what melts it when it has no time to cool
  double cold_ohm{0.0};       ///< in series with its cable
  void check(Problems& problems) const;
};

struct FuseState {
  double heat_a2s{0.0};
  bool blown{false};
};

/// A fuse element warms with the square of its current and cools towards its surroundings:
///
///     h' = i^2 - h carries^2/melting,      blown for good once h reaches melting
///
/// so that a short melts it after melting/i^2, and carries_a just fails to. Its time constant is melting/carries^2.
/// Valid for fuses whose data sheet gives a melting integral; the curve between a short and a light overload is that of
/// one time constant, where a real one with a thermal mass beside its element has several. Not modelled: the arc, which
/// goes on for some milliseconds after melting; ambient temperature; resistance that rises while it warms. Source: heat
/// balance of one body. Checked in tests/plant/wiring_test.cc.
///
/// Follows a stretch of h_s seconds over which the current squared has this mean. True: it has blown just now, at the
/// end of the stretch.
bool warm_fuse(const FuseParams& fuse, double mean_square_a2, double h_s, FuseState& state);

/// What a cable's resistance is multiplied by: 1 + per_k (T - 20 degC), copper 0.00393. Held above a tenth.
[[nodiscard]] double cable_factor(double per_k, double degc);

/// Mean of the square of a current that runs from from_a to to_a as a parabola with this mean.
[[nodiscard]] double mean_square_a2(double from_a, double mean_a, double to_a);

}  // namespace dawnrig::plant
