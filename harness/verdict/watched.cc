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

}  // namespace dawnrig::verdict
