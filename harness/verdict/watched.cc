#include "harness/verdict/watched.h"

namespace dawnrig::verdict {

Nanos Piece::crossing(double level) const {
  const double rise = to_value - from_value;
  if (rise == 0 || from == to) return from;
  const double share = (level - from_value) / rise;
  return from + from_seconds(in_seconds(to - from) * share);
}

Watched::Watched(const Watching& watching)
    : signal_{watching.signal},
      minus_{watching.minus},
      average_over_{watching.average_over},
      holds_{trace::is_switch(watching.signal)} {}

/// Integrates the part of `piece` before `until` and leaves the rest in it.
void Watched::add_until(Piece& piece, Nanos until) {
  if (piece.to == piece.from) return;
  const double share = in_seconds(until - piece.from) / in_seconds(piece.to - piece.from);
  const double value =
      until == piece.to ? piece.to_value : piece.from_value + share * (piece.to_value - piece.from_value);
  integral_ += 0.5 * (piece.from_value + value) * in_seconds(until - piece.from);
  piece.from = until;
  piece.from_value = value;
}

Whole Watched::whole_of(const trace::Stretch& stretch) const {
  const auto i = static_cast<std::size_t>(signal_);
  return {.to = stretch.end().time,
          .duration_s = in_seconds(stretch.duration()),
          .lowest = stretch.lowest()[i] - minus_,
          .highest = stretch.highest()[i] - minus_,
          .mean = stretch.mean()[i] - minus_,
          .end_value = stretch.end().value[i] - minus_,
          .values = static_cast<std::int64_t>(stretch.steps())};
}

}  // namespace dawnrig::verdict
