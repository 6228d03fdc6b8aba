// The raw offset curve of a closed line: every side at its own distance (mm, outwards positive),
// joined at the corners, self-intersections included; clean.h removes those.
#pragma once

#include <vector>

#include "pattern/pattern.h"

namespace panecard::pattern {

/// A closed line with a tag per edge: tag[i] is that of the edge from point i to the next. In a cut
/// line it is the index of the edge's side, or kJoin. In a raw curve of one distance it is 2 e for
/// the offset of edge e and 2 e + 1 for the arc around its end.
struct TaggedLine {
  PolygonMm points;
  std::vector<int> tag;
  void add(PointMm p, int t) {
    points.push_back(p);
    tag.push_back(t);
  }
};
constexpr int kJoin = -1;

/// One distance for all edges. The winding number is positive exactly inside the true offset curve
/// (Chen & McMains 2005).
TaggedLine raw_parallel(const PolygonMm& line, double distance_mm);

/// The same with one distance per side; tagged with the index of the side.
TaggedLine raw_cut(const Pane& pane, const std::vector<double>& distance_mm);

}  // namespace panecard::pattern
