// How the parallel curves of two sides meet when their distances differ.
#pragma once

#include <optional>

#include "pattern/parallel.h"
#include "pattern/ribbon.h"

namespace panecard::pattern {

/// A side's parallel curve where it ends or begins at a corner.
struct Arrival {
  std::size_t vertex;  ///< of the outline
  double distance_mm;
  const Tagged& chain;
};

/// A place on an open chain: on the edge that leaves point `edge`.
struct Place {
  std::size_t edge = 0;
  PointMm at;
};

/// A side's straight extension counts as the side.
struct Join {
  std::optional<Place> leave, enter;  ///< where the chains are cut short, if they are
  int tag = kJoin;                    ///< of the edge that leaves the first chain
  Tagged between;                     ///< what lies between them
};

Join join(const Ribbon& ribbon, const Arrival& a, const Arrival& b);

void append_trimmed(Tagged& raw, const Tagged& chain, const Join& before, const Join& after);

/// Where the outline runs on too smoothly for two distances to meet, a stretch of it is taken from
/// both sides, long enough for a gentle change.
Pane with_room_to_change(const Pane& pane, const std::vector<double>& distance_mm);

}  // namespace panecard::pattern
