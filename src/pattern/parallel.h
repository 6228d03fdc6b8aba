// The raw parallel curve of a closed line: every side at its own distance, joined at the corners,
// still crossing itself wherever it will. clean.h takes the rest away.
#pragma once

#include <vector>

#include "pattern/pattern.h"

namespace panecard::pattern {

/// A closed line; tag[i] says what the edge that leaves point i is. Of a cut line: the side it
/// belongs to, or kJoin. Of a raw uniform curve: 2 e beside edge e, 2 e + 1 around its end.
struct Tagged {
  PolygonMm points;
  std::vector<int> tag;
  void add(PointMm p, int t) {
    points.push_back(p);
    tag.push_back(t);
  }
};
constexpr int kJoin = -1;

/// Its winding number is positive exactly on the line's inside moved by the distance.
Tagged raw_parallel(const PolygonMm& line, double distance_mm);

/// The same with one distance per side; tagged with the index of the side.
Tagged raw_cut(const Pane& pane, const std::vector<double>& distance_mm);

}  // namespace panecard::pattern
