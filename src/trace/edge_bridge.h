// Carries the glass edge over what cannot be seen of it, at the seal's width from its outer edge.
#pragma once

#include <vector>

#include "trace/edge.h"

namespace panecard::trace {

/// Rows that follow each other, round the curve; `first` is one of its rows.
struct Run {
  int first, length;
};
std::vector<Run> unseen_runs(const std::vector<bool>& seen);

/// Where most of the way within 15 mm shows the seal's outer edge.
/// @param n  points of the curve that this is wanted for
std::vector<bool> settled_outer(const Ribbon& ribbon, int n);

/// Where the seal's outer edge is not seen either, the ribbon's lies anywhere. Between two seen
/// stretches that nearly head for each other a cubic joins them (Hermite); a corner is left alone.
void straighten_unseen(const std::vector<bool>& seen, PolygonMm& curve);

/// Across a gap the glass edge keeps its distance from the seal's outer edge.
/// @param outer_seen  whether there is one to be seen; where not, it is what joins its seen parts
void bridge_gap(const Run& run, const Strip& strip, const std::vector<double>& outer_mm,
                const std::vector<bool>& outer_seen, Edge& edge);

}  // namespace panecard::trace
