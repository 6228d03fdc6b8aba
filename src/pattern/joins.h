// Joins the offset curves of two neighbouring sides whose distances differ.
#pragma once

#include <optional>

#include "pattern/offset.h"
#include "pattern/parallel.h"

namespace panecard::pattern {

/// The end, or the start, of a side's offset curve at a corner.
struct ChainEnd {
  std::size_t vertex;  ///< of the outline
  double distance_mm;
  const TaggedLine& chain;
};

/// A point on an open chain, on the edge that leaves point `edge`.
struct ChainPoint {
  std::size_t edge = 0;
  PointMm at;
};

/// How two chains are connected. A side's straight extension counts as the side.
struct Join {
  std::optional<ChainPoint> leave, enter;  ///< where the chains are cut short, if they are
  int tag = kJoin;                         ///< of the edge that leaves the first chain
  TaggedLine between;                      ///< what lies between them
};

Join join(const OffsetCurves& offset_curves, const ChainEnd& a, const ChainEnd& b);

void append_trimmed(TaggedLine& raw, const TaggedLine& chain, const Join& before,
                    const Join& after);

/// Where the outline is too smooth for two distances to meet at the corner, the corner is widened
/// into both sides so that the distance can change gradually.
Pane with_transitions(const Pane& pane, const std::vector<double>& distance_mm);

}  // namespace panecard::pattern
